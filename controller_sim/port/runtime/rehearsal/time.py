"""The clock of a world in virtual time, in place of a board's; like that one it counts microseconds that go round."""

from world import FIRST_TICK, TICKS, world


def ticks_us():
    return (world.now_us + FIRST_TICK) % TICKS


def ticks_diff(end, start):
    return (end - start + TICKS // 2) % TICKS - TICKS // 2


def sleep_us(time_us):
    world.sleep(time_us)
