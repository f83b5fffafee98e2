"""The state of an engine as one tuple that can be compared and hashed; all times in it are relative to now.

Two engines of one design with equal snapshots do the same from here on, whatever time it is.
"""

from .kinds import NEVER

SHARED = (
    "contacts", "level", "live", "owing", "lapsing", "eager_fired", "group", "waiting", "mode",
    "notice", "display", "leds", "drafted", "quarter", "quarter_parts", "clock_running",
)  # fmt: skip
LISTS = ("cells", "owner", "eager_release", "wait_state")
WAIT_LISTS = ("wait_tap", "wait_double", "wait_unanswered")


def take_snapshot(engine):
    """The state of an engine between two instants."""
    now_us = engine.now_us
    keys = range(len(engine.masks))
    waits = [state != 0 for state in engine.wait_state]
    holding = [slot >= 0 and engine.due[slot] != NEVER for slot in engine.tables.hold_slots]
    repeating = [slot >= 0 and engine.due[slot] != NEVER for slot in engine.tables.repeat_slots]
    live = [(engine.live | engine.owing) >> k & 1 or holding[k] or repeating[k] for k in keys]
    undecided = engine.group
    for k in keys:
        if engine.live >> k & 1:
            undecided |= engine.masks[k]
    pressed = [(engine.group | engine.eager_fired) >> s & 1 for s in range(len(engine.group_at))]
    return (
        tuple([getattr(engine, name) for name in SHARED]),
        tuple([tuple(getattr(engine, name)) for name in LISTS]),
        (_where(live, engine.key_conditions), _where([engine.owing >> k & 1 for k in keys], engine.owed)),
        tuple([_where(waits, getattr(engine, name)) for name in WAIT_LISTS]),
        (_where(holding, engine.hold_index), _where(repeating, engine.repeats), engine.answered & undecided),
        (engine.group_conditions, engine.group_order, engine.group_chords) if engine.group else (0, (), ()),
        tuple([NEVER if due == NEVER else due - now_us for due in engine.due]),
        tuple([NEVER if due == NEVER else due - now_us for due in engine.contact_due]),
        tuple([until - now_us if until > now_us else 0 for until in engine.locked_until]),
        _since(pressed, engine.group_at, now_us),
        _since(live, engine.key_at, now_us),
        _since(waits, engine.wait_at, now_us),
        tuple([(due - now_us, item, mode) for due, item, mode in engine.delayed]),
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
    pressed = engine.level or engine.waiting
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
        tuple(sorted(engine.upper.items())),
        _sent(engine),
    )


def _sent(engine):
    """The messages that left and may still come back."""
    engine.note_sent()
    least_us = engine.now_us - engine.tables.echo_us
    return tuple([(time_us - engine.now_us, item) for time_us, item in engine.sent if time_us > least_us])


def _restore_arrivals(engine, arrivals, now_us):
    (held, positions, told), parsers, (beat_at, beat_ticks, heard_tick_at), upper, sent = arrivals
    engine.upper = dict(upper)
    engine.sent = [(time_us + now_us, item) for time_us, item in sent]
    engine.noted = len(engine.packed)
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
    shared, lists, keys, wait_lists, counts, group, *others = snapshot
    due, contact_due, locked, group_at, key_at, wait_at, delayed, clock, taps, arrivals = others
    engine.now_us = now_us
    for name, value in zip(SHARED, shared):
        setattr(engine, name, value)
    for names, values in ((LISTS, lists), (WAIT_LISTS, wait_lists)):
        for name, value in zip(names, values):
            setattr(engine, name, list(value))
    engine.key_conditions = list(keys[0])
    engine.owed = list(keys[1])
    engine.hold_index = list(counts[0])
    engine.repeats = list(counts[1])
    engine.answered = counts[2]
    engine.group_conditions, engine.group_order, engine.group_chords = group
    engine.due[:] = [NEVER if time_us == NEVER else time_us + now_us for time_us in due]
    engine.contact_due[:] = [NEVER if time_us == NEVER else time_us + now_us for time_us in contact_due]
    engine.next_deadline_us()
    engine.locked_until = [time_us + now_us for time_us in locked]
    engine.group_at = [time_us + now_us for time_us in group_at]
    engine.key_at = [time_us + now_us for time_us in key_at]
    engine.wait_at = [time_us + now_us for time_us in wait_at]
    engine.delayed = [(time_us + now_us, item, mode) for time_us, item, mode in delayed]
    clock_origin, engine.clock_ticks, last_tick_us = clock
    engine.clock_origin = clock_origin + now_us
    engine.last_tick_us = NEVER if last_tick_us == NEVER else last_tick_us + now_us
    tapped_at, intervals, engine.tap_outlier = taps
    engine.tapped_at = NEVER if tapped_at == NEVER else tapped_at + now_us
    engine.tap_intervals = list(intervals)
    _restore_arrivals(engine, arrivals, now_us)
    engine.blind = engine.mode < 0
    engine._load_mode()


def _where(live, values):
    return tuple([value if alive else 0 for alive, value in zip(live, values)])


def _since(live, times_us, now_us):
    return tuple([time_us - now_us if alive else 0 for alive, time_us in zip(live, times_us)])
