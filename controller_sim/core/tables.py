"""What an engine knows of a design: flat tables and the design's own functions."""


class Tables:
    """Filled in by the compiler of a design; an engine only reads it.

    switches, keys, leds       how many there are; keys 0..switches-1 are the switches themselves
    masks[key]                 the switches of a key, as a bit mask
    members[key]               the same as a tuple, in switch order
    press_settle_us, press_lockout_us, release_settle_us, release_lockout_us   one of each pair is 0
    power_on_us                how long contacts must be still after power-on
    chord_us, double_us
    repeat_us                  periods: first, then one entry for each repeat of a step, the last for ever
    bind[mode]                 key * GESTURES + gesture -> choice
    holds[mode][key]           ((duration_us, choice), ...) shortest first
    chords[mode]               ((key, mask, always, conditions), ...) in key order
    chord_switches[mode]       all switches that are in some chord of the mode
    plain_chords[mode]         ((key, mask), ...) where none of the mode's chords has a condition, else ()
    choices                    choice -2-i is choices[i]: ((condition bit or 0, binding), ...)
    eager                      set of the bindings that are eager
    eager_modes[mode]          whether the mode has one
    actions[binding]           function of the engine
    conditions[mode]           function of the engine giving the mask of true conditions, or None
    enter[mode], leave[mode]   functions of the engine, or None
    timers[mode]               ((period_us, every, function), ...); timer_slots is the longest of these
    display[mode], led_values[mode]     functions of the engine: text, and tuple of values
    draft[mode]                flat memory indices; draft_saves[mode] whether leaving saves
    power_on                   {mask: function}
    start                      memory as it is on the first day
    kept                       flat memory indices that survive power-off
    opening                    switches whose contacts open when pressed; the engine itself never looks at it
    pedals                     (heel, toe, points, hysteresis, every_us, moves_first, shown) each; `shown`: a display or LED reads it
    moves[mode][pedal]         ((condition bit or 0, response), ...)
    heard[mode]                {status: ((ports, first_low, first_high, second_low, second_high, condition bit or 0, response), ...)}
    responses[response]        function of the engine and two data bytes
    thru                       ((source port, ports, bits of the kinds of messages), ...)
    follow, follow_pause_us    the port whose clock sets the tempo or 0; the longest pause between its ticks
    home, tempo_low, tempo_high, tempo_start, clock_ports, delayed_messages
    """
