"""What an engine knows of a design: flat tables and the design's own functions."""


class Tables:
    """Filled in by the compiler of a design; an engine only reads it.

    switches, leds             how many there are; keys 0..switches-1 are the switches themselves
    masks[key]                 the switches of a key, as a bit mask
    members[key]               the same as a tuple, in switch order
    owned[key]                 of these, the switches that are in some chord
    all_switches               the mask of all of them
    power_on_us                how long contacts must be still after power-on
    chord_us, double_us
    repeat_us                  periods: first, then one entry for each repeat of a step, the last for ever
    hold_slots[key], repeat_slots[key], gap_slots[key]     slots of deadlines, -1 where the key never needs one
    timer_slot                 the first slot of mode timers
    delayed_slot, clock_slot, notice_slot      slots, -1 where the design never needs one
    pedal_slot                 the first pedal's slot
    slots                      how many there are
    nothing_due                what the deadlines of groups and keys are when none waits
    chord_switches             the switches that are in some chord, in order
    nobody                     what `owner` is when no switch is part of a key
    choices                    choice -2-i is choices[i]: ((condition bit or 0, binding), ...)
    eager                      set of the bindings that are eager
    play                       function (engine, times_us, words): the loop over instants, which debounces the contacts
    fire                       {binding: function (engine, now_us)} that puts out that it fires and runs its action; here are those
                               that are fired by their number
    modes[mode]                functions of a mode, as Engine._load_mode takes them: pressed and released for each switch
                               (engine, now_us); entered or None, and left (engine, now_us); become (formed and decided
                               at once) and decide for each key (engine, at_us, now_us); timeouts for each slot (engine,
                               now_us); read_conditions and show_text (engine); show_leds (engine, now_us): puts out
                               those that have changed
    timers[mode]               ((slot, period_us), ...)
    draft[mode]                flat memory indices of what is drafted
    draft_places[mode]         {flat memory index: its place in draft[mode]}
    power_on                   {mask: function (engine, now_us)}
    delayed_cancels[mode]      whether leaving cancels the delayed messages that were sent in the mode
    every_power_on             function (engine, now_us) that runs after it, or None
    start                      memory as it is on the first day
    kept                       flat memory indices that survive power-off
    trace                      whether the design's functions put out debounced edges
    opening                    switches whose contacts open when pressed; the engine itself never looks at it
    pedals                     (heel, toe, points, hysteresis, every_us, moves_first, shown) each; `shown`: a display or LED reads it
    moves[mode][pedal]         ((condition bit or 0, response), ...)
    heard[mode]                {status: ((ports, ((low, high) of each value, ...), whether of a pair of controllers, condition bit or 0,
                               response), ...)}
    responses[response]        function (engine, now_us, *the values of what was received)
    paired                     set of status << 7 | number of the upper half of pairs of controllers that are responded to
    echo_us                    for how long a message that left at a port is an echo when it comes in there, or 0
    thru                       ((source port, ports, bits of the kinds of messages), ...)
    follow, follow_pause_us    the port whose clock sets the tempo or 0; the longest pause between its ticks
    home, tempo_low, tempo_high, tempo_start, clock_ports, delayed_messages
    """
