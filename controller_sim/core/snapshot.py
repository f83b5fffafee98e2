"""The state of an engine as one tuple that can be compared and hashed; all times in it are relative to now.

Two engines of one design with equal snapshots do the same from here on, whatever time it is.
"""

from .kinds import NEVER
from .recogniser import UP

SHARED = (
    "contacts", "level", "down", "unanswered", "eager_fired", "group", "noted", "waiting", "mode",
    "notice", "display", "leds", "booting", "drafted", "quarter", "quarter_parts", "clock_running",
)  # fmt: skip
LISTS = ("cells", "owner", "eager_release", "group_order", "key_state", "wait_state")
KEY_LISTS = ("key_conditions", "key_release")
WAIT_LISTS = ("wait_tap", "wait_double", "wait_unanswered")


def take_snapshot(engine):
    """The state of an engine between two instants."""
    now_us = engine.now_us
    live = [state != UP for state in engine.key_state]
    waits = [state != 0 for state in engine.wait_state]
    holding = [due != NEVER for due in engine.due[engine.hold_slot : engine.repeat_slot]]
    repeating = [due != NEVER for due in engine.due[engine.repeat_slot : engine.gap_slot]]
    pressed = [(engine.group | engine.eager_fired) >> s & 1 for s in range(len(engine.pressed_at))]
    return (
        tuple([getattr(engine, name) for name in SHARED]),
        tuple([tuple(getattr(engine, name)) for name in LISTS]),
        tuple([_where(live, getattr(engine, name)) for name in KEY_LISTS]),
        tuple([_where(waits, getattr(engine, name)) for name in WAIT_LISTS]),
        (_where(holding, engine.hold_index), _where(repeating, engine.repeats), engine.group_conditions if engine.group else 0),
        tuple([NEVER if due == NEVER else due - now_us for due in engine.due]),
        tuple([until - now_us if until > now_us else 0 for until in engine.locked_until]),
        _since(pressed, engine.pressed_at, now_us),
        _since(live, engine.key_at, now_us),
        _since(waits, engine.wait_at, now_us),
        tuple([(due - now_us, item) for due, item in engine.delayed]),
        _clock(engine),
        _taps(engine),
        _arrivals(engine),
    )


def _clock(engine):
    """Where the clock counts from, and its last tick."""
    if not engine.clock_running:
        return (0, 0, NEVER)
    last_us = engine.last_tick_us
    return (engine.clock_origin - engine.now_us, engine.clock_ticks, NEVER if last_us == NEVER else last_us - engine.now_us)


def _taps(engine):
    """Tap tempo: the last tap, the intervals and whether the last was left out; a series that can't go on is as good as none."""
    old_us = engine.now_us - engine.tapped_at
    pressed = engine.down or engine.waiting
    if engine.tapped_at == NEVER or (not pressed and old_us > engine.tap_pause_us):
        return (NEVER, (), 0)
    return (-old_us, tuple(engine.tap_intervals), engine.tap_outlier)


def _arrivals(engine):
    """The pedals, what has come of messages, and the beat that is being listened to, unless its last tick is too old to go on."""
    pedals = engine.pedals
    since_us = engine.now_us - engine.heard_tick_at
    beat = (NEVER, 0, NEVER)
    if engine.heard_tick_at != NEVER and since_us <= engine.tables.follow_pause_us:
        beat = (engine.beat_at - engine.now_us, engine.beat_ticks, -since_us)
    return (
        (tuple(pedals.held), tuple(pedals.positions), tuple(pedals.told)),
        tuple([(parser.status, parser.body, parser.length) for parser in engine.parsers]),
        beat,
    )


def _restore_arrivals(engine, arrivals, now_us):
    (held, positions, told), parsers, (beat_at, beat_ticks, heard_tick_at) = arrivals
    engine.pedals.held[:] = held
    engine.pedals.positions[:] = positions
    engine.pedals.told[:] = told
    for parser, (status, body, length) in zip(engine.parsers, parsers):
        parser.status, parser.body, parser.length = status, body, length
    engine.beat_ticks = beat_ticks
    engine.beat_at = NEVER if beat_at == NEVER else beat_at + now_us
    engine.heard_tick_at = NEVER if heard_tick_at == NEVER else heard_tick_at + now_us


def restore_snapshot(engine, snapshot, now_us):
    """Put an engine of the same design into the state of a snapshot, at `now_us`; `packed` is left alone."""
    shared, lists, key_lists, wait_lists, counts, due, locked, pressed_at, key_at, wait_at, delayed, clock, taps, arrivals = snapshot
    engine.now_us = now_us
    for name, value in zip(SHARED, shared):
        setattr(engine, name, value)
    for names, values in ((LISTS, lists), (KEY_LISTS, key_lists), (WAIT_LISTS, wait_lists)):
        for name, value in zip(names, values):
            setattr(engine, name, list(value))
    engine.hold_index = list(counts[0])
    engine.repeats = list(counts[1])
    engine.group_conditions = counts[2]
    engine.due[:] = [NEVER if time_us == NEVER else time_us + now_us for time_us in due]
    engine._index_again()
    engine.locked_until = [time_us + now_us for time_us in locked]
    engine.pressed_at = [time_us + now_us for time_us in pressed_at]
    engine.key_at = [time_us + now_us for time_us in key_at]
    engine.wait_at = [time_us + now_us for time_us in wait_at]
    engine.delayed = [(time_us + now_us, item) for time_us, item in delayed]
    clock_origin, engine.clock_ticks, last_tick_us = clock
    engine.clock_origin = clock_origin + now_us
    engine.last_tick_us = NEVER if last_tick_us == NEVER else last_tick_us + now_us
    tapped_at, intervals, engine.tap_outlier = taps
    engine.tapped_at = NEVER if tapped_at == NEVER else tapped_at + now_us
    engine.tap_intervals = list(intervals)
    _restore_arrivals(engine, arrivals, now_us)
    engine._load_mode()
    engine.group_chords = engine._makeable_chords(engine.group_conditions, engine.noted) if engine.group else ()


def _where(live, values):
    return tuple([value if alive else 0 for alive, value in zip(live, values)])


def _since(live, times_us, now_us):
    return tuple([time_us - now_us if alive else 0 for alive, time_us in zip(live, times_us)])
