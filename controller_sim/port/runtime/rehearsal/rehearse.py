"""Plays histories on an unmodified main.py: a line in for each thing that happens, a line out for each thing put out.

Called with the folder to be put on a board, a file name for the image that keeps values, and `waking` or `polling`: whether
whatever happens wakes a sleeper, so that it is seen at once, or is seen when the controller looks next, as on a board.
In, times in microseconds, in the order in which they happen:

    TIME on | TIME off | TIME closed WORD | TIME pedal NUMBER READING | TIME serial HEX | TIME usb HEX | play

Out, after `play`: TIME serial HEX | TIME usb HEX | TIME display HEX | TIME led NUMBER VALUE | error TEXT | image HEX | done
"""

import io
import os
import sys

sys.path.insert(1, sys.argv[1])

import board
import pins
from world import PowerCut, world


def parsed(line):
    time_us, kind, *rest = line.split()
    if kind in ("serial", "usb"):
        return (int(time_us), kind, bytes.fromhex(rest[0]))
    return (int(time_us), kind) + tuple([int(word) for word in rest])


def play(source):
    """Run the source of main.py from each power-on to the next loss of power; tell what went wrong and what the image holds."""
    try:
        os.remove(pins.IMAGE_FILE)
    except OSError:
        pass
    try:
        while world.next_power_on():
            world.power_on()
            try:
                exec(source, {"__name__": "__main__"})
            except PowerCut:
                pass
    except Exception as error:
        told = io.StringIO()
        sys.print_exception(error, told)
        print("error", " ".join(told.getvalue().split()[-20:]))
    try:
        with open(pins.IMAGE_FILE, "rb") as stream:
            print("image", stream.read().hex())
    except OSError:
        pass
    print("done")


def main():
    pins.IMAGE_FILE = sys.argv[2]
    world.wakes = sys.argv[3] == "waking"
    if world.wakes:
        # There is nothing to look for in between.
        pins.POLL_US = 1 << 28
        pins.PEDAL_US = 0
    board.show = world.show
    board.light = world.light
    with open(sys.argv[1] + "/main.py") as stream:
        source = stream.read()
    world.begin()
    while True:
        line = sys.stdin.readline()
        if not line:
            return
        line = line.strip()
        if line == "play":
            play(source)
            world.begin()
        elif line:
            world.events.append(parsed(line))


main()
