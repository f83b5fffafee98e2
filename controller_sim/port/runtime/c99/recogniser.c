/* From edge to key to gesture: groups and chords, taps that wait for a double, holds, repeats.
 *
 * A key is a switch (keys 0..CTL_SWITCHES-1) or a chord. What is bound to a key in the current mode is its row.
 */
#include "state.h"

static const CTL_FLASH struct ctl_row *row_of(uint8_t k)
{
    return &ctl_rows[ctl_row_of[ctl.mode][k]];
}

#if CTL_BINDINGS
/* The binding that a choice stands for under conditions, or CTL_NOTHING. */
static ctl_choice_t choose(ctl_choice_t choice, ctl_conditions_t conditions)
{
#if CTL_HAS_CONDITIONS
    if (choice > CTL_BINDINGS) {
        const CTL_FLASH struct ctl_alternative *each = &ctl_alternatives[choice - CTL_BINDINGS - 1];
        while (each->binding && each->conditions && !(each->conditions & conditions)) { /* at most CTL_MOST_ALTERNATIVES rounds */
            each++;
        }
        return each->binding;
    }
#else
    (void)conditions;
#endif
    return choice;
}

static ctl_conditions_t conditions_of(uint8_t k)
{
#if CTL_HAS_CONDITIONS
    return ctl.keys[k].conditions;
#else
    (void)k;
    return 0;
#endif
}
#endif

/* Fire the binding of a gesture whose physical press was at `at_us`; false when that has changed the mode. */
static bool fire(ctl_choice_t binding, uint32_t at_us)
{
    uint8_t changes = ctl.changes;
    CTL_HAPPENED(CTL_FIRED, binding - 1);
#if CTL_HAS_TAP_TEMPO
    ctl.gesture_us = at_us;
#else
    (void)at_us;
#endif
    ctl_run_binding(binding);
    ctl_follow();
    return ctl.changes == changes;
}

#ifdef CTL_TRACE
static void end_unanswered(ctl_switches_t switches, uint8_t fate)
{
    for (uint8_t s = 0; switches; s++) {
        if (switches & CTL_BIT(s)) {
            CTL_HAPPENED(CTL_ENDED, s << 2 | fate);
            switches ^= CTL_BIT(s);
        }
    }
}
#endif

#if CTL_DOUBLE_KEYS
static uint8_t key_of_tap(uint8_t w)
{
    return ctl_slot_key[CTL_GAP_SLOT - CTL_HOLD_SLOT + w];
}

static void forget_tap(uint8_t w)
{
    ctl.taps[w].state = CTL_IDLE;
    ctl_disarm((uint8_t)(CTL_GAP_SLOT + w));
}

/* A waiting tap is no double. False when what it fires has changed the mode. */
static bool end_tap(uint8_t w)
{
    struct ctl_wait *tap = &ctl.taps[w];
    forget_tap(w);
    if (tap->tap) {
        return fire(tap->tap, tap->at_us);
    }
    CTL_ACCOUNT(end_unanswered(tap->unanswered, CTL_UNBOUND));
    return true;
}

static void wait_for_double(uint8_t k, ctl_choice_t single, ctl_choice_t twice)
{
    uint8_t w = ctl_double_place[k];
    struct ctl_wait *tap = &ctl.taps[w];
    tap->state = CTL_WAITING;
    tap->at_us = ctl.keys[k].at_us;
    tap->tap = single;
    tap->twice = twice;
    CTL_ACCOUNT(tap->unanswered = ctl_masks[k] & (ctl_switches_t)~ctl.answered);
    ctl_arm((uint8_t)(CTL_GAP_SLOT + w), ctl.now_us + CTL_DOUBLE_US);
}

/* The binding of the double that the press of a key completes, or CTL_NOTHING; its tap waits no longer. */
static ctl_choice_t second_press(uint8_t k)
{
    uint8_t w = ctl_double_place[k];
    if (w == CTL_NOBODY || ctl.taps[w].state != CTL_SECOND_PRESS) {
        return CTL_NOTHING;
    }
    forget_tap(w);
    return ctl.taps[w].twice;
}
#endif

#if CTL_HOLD_KEYS
/* Wait for the first of a key's holds, from the one numbered `hold` on, that is bound for it. */
static void next_hold(uint8_t k, ctl_choice_t hold)
{
    const CTL_FLASH struct ctl_row *row = row_of(k);
    uint8_t place = ctl_hold_place[k];
    for (; hold < row->end_hold; hold++) { /* at most CTL_MOST_HOLDS rounds */
        if (choose(ctl_holds[hold].choice, conditions_of(k))) {
            ctl_arm((uint8_t)(CTL_HOLD_SLOT + place), ctl.keys[k].at_us + ctl_holds[hold].hold_us);
            ctl.awaited_hold[place] = hold;
            break;
        }
    }
}

static void hold_key(uint8_t k)
{
    ctl_choice_t hold = ctl.awaited_hold[ctl_hold_place[k]];
    ctl_choice_t binding = choose(ctl_holds[hold].choice, conditions_of(k));
    next_hold(k, (ctl_choice_t)(hold + 1u));
    ctl.keys[k].flags &= (uint8_t)~CTL_LIVE;
    fire(binding, ctl.keys[k].at_us);
}
#endif

#if CTL_REPEAT_KEYS
static void repeat_key(uint8_t k)
{
    uint8_t place = ctl_repeat_place[k];
    uint16_t *count = &ctl.repeats[place];
    if (*count < CTL_LAST_REPEAT) {
        ++*count;
    }
    const CTL_FLASH struct ctl_repeat_step *step = ctl_repeat_steps;
    while (*count < step->from) { /* at most CTL_MOST_STEPS rounds */
        step++;
    }
    ctl_arm((uint8_t)(CTL_REPEAT_SLOT + place), ctl.now_us + step->period_us);
    ctl.keys[k].flags &= (uint8_t)~CTL_LIVE;
    fire(choose(row_of(k)->repeat, conditions_of(k)), ctl.keys[k].at_us);
}
#endif

void ctl_key_timed_out(uint8_t slot)
{
#if CTL_HOLD_KEYS
    if (slot < CTL_REPEAT_SLOT) {
        hold_key(ctl_slot_key[slot - CTL_HOLD_SLOT]);
        return;
    }
#endif
#if CTL_REPEAT_KEYS
    if (slot < CTL_GAP_SLOT) {
        repeat_key(ctl_slot_key[slot - CTL_HOLD_SLOT]);
        return;
    }
#endif
#if CTL_DOUBLE_KEYS
    end_tap((uint8_t)(slot - CTL_GAP_SLOT));
#else
    (void)slot;
#endif
}

/* What a key owes when it goes up, and its press. False when the press has changed the mode. */
static bool owe_and_press(uint8_t k)
{
    const CTL_FLASH struct ctl_row *row = row_of(k);
    struct ctl_key *key = &ctl.keys[k];
    ctl_choice_t press = CTL_NOTHING;
#if CTL_HAS_PRESS
    press = choose(row->press, conditions_of(k));
#endif
#if CTL_HAS_RELEASE
    ctl_choice_t release = choose(row->release, conditions_of(k));
    if (release) {
        key->owed = release;
        key->flags = (uint8_t)(key->flags | CTL_OWING | (press ? 0 : CTL_LAPSING));
    }
#endif
    (void)row;
    if (press) {
        CTL_ACCOUNT(ctl.answered |= ctl_masks[k]);
        return fire(press, key->at_us);
    }
    return true;
}

/* A key that has just been formed is decided. False when that has changed the mode. */
static bool decide(uint8_t k)
{
    struct ctl_key *key = &ctl.keys[k];
#if CTL_DOUBLE_KEYS
    ctl_choice_t twice = second_press(k);
#endif
#if CTL_HAS_EAGER
    if (k >= CTL_SWITCHES || !(ctl.eager_fired & CTL_BIT(k)))
#endif
    {
        if (!owe_and_press(k)) {
            return false;
        }
    }
#if CTL_DOUBLE_KEYS
    if (twice) {
        key->flags &= (uint8_t)~CTL_LIVE;
        return fire(twice, key->at_us);
    }
#endif
#if CTL_HOLD_KEYS
    if (ctl_hold_place[k] != CTL_NOBODY) {
        next_hold(k, row_of(k)->first_hold);
    }
#endif
#if CTL_REPEAT_KEYS
    uint8_t place = ctl_repeat_place[k];
    if (place != CTL_NOBODY && choose(row_of(k)->repeat, conditions_of(k))) {
        ctl.repeats[place] = 0;
        ctl_arm((uint8_t)(CTL_REPEAT_SLOT + place), key->at_us + CTL_FIRST_REPEAT_US);
    }
#endif
    (void)key;
    return true;
}

/* The switches of a key are now its own; it is yet to be decided. */
static void form(uint8_t k, uint32_t at_us)
{
    struct ctl_key *key = &ctl.keys[k];
#if CTL_HAS_CHORDS
    ctl_switches_t mask = ctl_masks[k];
    for (uint8_t s = 0; s < CTL_SWITCHES; s++) {
        if (mask & CTL_BIT(s)) {
            ctl.owner[s] = k;
        }
    }
#endif
#if CTL_HAS_CONDITIONS
    key->conditions = ctl.group_conditions;
#endif
    key->flags |= CTL_LIVE;
    key->at_us = at_us;
}

#if CTL_HAS_CHORDS
#if CTL_DOUBLE_KEYS
/* Waiting taps whose second press is in the group, whole or (not `whole`) in part, but whose key is not formed, are no doubles. */
static bool settle_taps_of_group(ctl_switches_t group, const uint8_t formed[], bool whole)
{
    uint8_t count = ctl.group_size;
    for (uint8_t w = 0; w < CTL_DOUBLE_KEYS; w++) {
        uint8_t k = key_of_tap(w);
        bool stays = ctl.taps[w].state < (whole ? CTL_SECOND_PRESS : CTL_WAITING) || !(ctl_masks[k] & group);
        for (uint8_t place = 0; place < count; place++) { /* at most CTL_MOST_TOGETHER rounds */
            stays |= formed[place] == k;
        }
        if (!stays && !end_tap(w)) {
            return false;
        }
    }
    return true;
}
#endif

/* The open group becomes its keys, which are decided in the order of the presses of their last members. */
void ctl_close_group(void)
{
    uint8_t count = ctl.group_size;
    uint8_t formed[CTL_SWITCHES];
    ctl_partition(formed);
#if CTL_DOUBLE_KEYS
    ctl_switches_t group = ctl.group;
#endif
    ctl.group = 0;
    ctl_disarm(CTL_GROUP_SLOT);
    for (uint8_t place = 0; place < count; place++) { /* at most CTL_MOST_TOGETHER rounds */
        if (formed[place] < CTL_KEYS) {
            form(formed[place], ctl.pressed_us[ctl.group_order[place]]);
        }
    }
#if CTL_DOUBLE_KEYS
    if (!settle_taps_of_group(group, formed, false)) {
        return;
    }
#endif
    for (uint8_t place = 0; place < count; place++) { /* at most CTL_MOST_TOGETHER rounds */
        if (formed[place] < CTL_KEYS && !decide(formed[place])) {
            return;
        }
    }
}

/* A press goes into the group, and opens it if need be; the group closes if no larger chord can be completed. */
static void join(uint8_t s)
{
    if (!ctl.group) {
        ctl.group_size = 0;
        ctl_arm(CTL_GROUP_SLOT, ctl.now_us + CTL_CHORD_US);
    }
    ctl.group |= CTL_BIT(s);
    if (ctl.group_size < CTL_SWITCHES) {
        ctl.group_order[ctl.group_size++] = s;
    }
    ctl.pressed_us[s] = ctl.now_us;
#if CTL_DOUBLE_KEYS
    for (uint8_t w = 0; w < CTL_DOUBLE_KEYS; w++) {
        ctl_switches_t mask = ctl_masks[key_of_tap(w)];
        if (ctl.taps[w].state == CTL_WAITING && mask & CTL_BIT(s) && !(mask & (ctl_switches_t)~ctl.group)) {
            ctl.taps[w].state = CTL_SECOND_PRESS;
            ctl_disarm((uint8_t)(CTL_GAP_SLOT + w));
        }
    }
#endif
    if (ctl_chord_with(ctl.group, ctl.group) == CTL_NOBODY) {
        ctl_close_group();
        return;
    }
#if CTL_DOUBLE_KEYS
    uint8_t formed[CTL_SWITCHES];
    ctl_partition(formed);
    settle_taps_of_group(ctl.group, formed, true);
#endif
}

#if CTL_DOUBLE_KEYS
/* Waiting taps of chords whose second press can no longer come fire. */
static bool settle_impossible_taps(ctl_switches_t together)
{
    for (uint8_t w = 0; w < CTL_DOUBLE_KEYS; w++) {
        uint8_t k = key_of_tap(w);
        if (ctl.taps[w].state != CTL_WAITING || k < CTL_SWITCHES) {
            continue;
        }
        bool possible = !(together & (ctl_switches_t)~ctl_masks[k]);
        const CTL_FLASH struct ctl_part *part = &ctl_mode_chords[ctl.mode];
        for (uint8_t i = 0; possible && i < part->count; i++) { /* at most CTL_MOST_CHORDS rounds */
            const CTL_FLASH struct ctl_chord *chord = &ctl_chords[part->first + i];
            if (chord->key == k) {
                possible = ctl_is_makeable(chord);
            }
        }
        if (!possible && !end_tap(w)) {
            return false;
        }
    }
    return true;
}
#endif
#endif

#if CTL_HAS_EAGER
/* An eager press fires at the edge itself. False when that has changed the mode. */
static bool fire_eager(uint8_t s)
{
    ctl_conditions_t conditions = 0;
#if CTL_HAS_CONDITIONS
    conditions = ctl.group_conditions;
#endif
    ctl_choice_t binding = choose(row_of(s)->press, conditions);
    if (!binding || !ctl_is_eager(binding)) {
        return true;
    }
    CTL_ACCOUNT(ctl.answered |= CTL_BIT(s));
    CTL_ACCOUNT(ctl.arriving = 0);
    ctl.eager_fired |= CTL_BIT(s);
#if CTL_HAS_RELEASE
    ctl.eager_release[s] = choose(row_of(s)->release, conditions);
#endif
    ctl.pressed_us[s] = ctl.now_us;
    return fire(binding, ctl.now_us);
}
#endif

/* A press that has ended what it ends, step by step; a mode change on the way ends it. */
static void begin_press(uint8_t s)
{
    ctl_switches_t bit = CTL_BIT(s);
    (void)bit;
#if CTL_HAS_CHORDS
    if (!ctl.group) {
        ctl.group_held = ctl.level & (ctl_switches_t)~bit;
#if CTL_HAS_CONDITIONS
        ctl.group_conditions = ctl_read_conditions();
#endif
    }
#if CTL_DOUBLE_KEYS
    if (!settle_impossible_taps(ctl.group | bit)) {
        return;
    }
#endif
#elif CTL_HAS_CONDITIONS
    ctl.group_conditions = ctl_read_conditions();
#endif
#if CTL_HAS_EAGER
    if (!fire_eager(s)) {
        return;
    }
#endif
    CTL_ACCOUNT(ctl.arriving = 0);
#if CTL_HAS_CHORDS
    if (ctl.group || ctl_chord_with(bit, 0) != CTL_NOBODY) {
        join(s);
        return;
    }
#endif
#if CTL_DOUBLE_KEYS
    uint8_t w = ctl_double_place[s];
    if (w != CTL_NOBODY && ctl.taps[w].state) {
        ctl.taps[w].state = CTL_SECOND_PRESS;
        ctl_disarm((uint8_t)(CTL_GAP_SLOT + w));
    }
#endif
    form(s, ctl.now_us);
    decide(s);
}

/* A press ends what waits and can not go on with it, one thing a step: taps of keys without its switch, then a group of which no chord
 * has all and the switch too. When nothing is left of that it begins. True while there are steps to come: none when the mode has changed. */
static bool press_on(uint8_t s)
{
#if CTL_DOUBLE_KEYS
    for (uint8_t w = 0; w < CTL_DOUBLE_KEYS; w++) {
        if (ctl.taps[w].state == CTL_WAITING && !(ctl_masks[key_of_tap(w)] & CTL_BIT(s))) {
            return end_tap(w);
        }
    }
#endif
#if CTL_HAS_CHORDS
    if (ctl.group && ctl_chord_with(ctl.group | CTL_BIT(s), 0) == CTL_NOBODY) {
        uint8_t changes = ctl.changes;
        ctl_close_group();
        return ctl.changes == changes;
    }
#endif
    begin_press(s);
    return false;
}

/* A press: its first step, which is mostly all of it; with CTL_AT_ONCE the others too. */
void ctl_key_pressed(uint8_t s)
{
    CTL_ACCOUNT(ctl.answered &= (ctl_switches_t)~CTL_BIT(s));
    CTL_ACCOUNT(ctl.arriving = CTL_BIT(s));
#ifdef CTL_AT_ONCE
    while (press_on(s)) { /* at most CTL_DOUBLE_KEYS + 2 rounds */
    }
#elif CTL_PRESSES_END
    ctl.pressing = (uint8_t)(press_on(s) ? s + 1u : 0u);
#else
    press_on(s);
#endif
}

#if CTL_PRESSES_END
void ctl_press_on(void)
{
    ctl.pressing = (uint8_t)(press_on((uint8_t)(ctl.pressing - 1u)) ? ctl.pressing : 0u);
}
#endif

/* Nothing has taken a key that went up: it taps, waits to become a double, or ends unbound. */
static void tap_key(uint8_t k)
{
    ctl_choice_t single = CTL_NOTHING;
#if CTL_HAS_TAP
    single = choose(row_of(k)->tap, conditions_of(k));
#endif
#if CTL_DOUBLE_KEYS
    ctl_choice_t twice = choose(row_of(k)->twice, conditions_of(k));
    if (ctl_double_place[k] != CTL_NOBODY && twice) {
        wait_for_double(k, single, twice);
        return;
    }
#endif
    if (single) {
        fire(single, ctl.keys[k].at_us);
    } else {
        CTL_ACCOUNT(end_unanswered(ctl_masks[k] & (ctl_switches_t)~ctl.answered, CTL_UNBOUND));
    }
}

/* A key goes up. */
static void key_up(uint8_t k)
{
    struct ctl_key *key = &ctl.keys[k];
#if CTL_HAS_CHORDS
    for (uint8_t s = 0; s < CTL_SWITCHES; s++) {
        if (ctl.owner[s] == k) {
            ctl.owner[s] = CTL_NOBODY;
        }
    }
#endif
#if CTL_HOLD_KEYS
    if (ctl_hold_place[k] != CTL_NOBODY) {
        ctl_disarm((uint8_t)(CTL_HOLD_SLOT + ctl_hold_place[k]));
    }
#endif
#if CTL_REPEAT_KEYS
    if (ctl_repeat_place[k] != CTL_NOBODY) {
        ctl_disarm((uint8_t)(CTL_REPEAT_SLOT + ctl_repeat_place[k]));
    }
#endif
#if CTL_HAS_RELEASE
    if (key->flags & CTL_OWING) {
        key->flags &= (uint8_t)~(CTL_OWING | CTL_LAPSING);
        CTL_ACCOUNT(ctl.answered |= ctl_masks[k]);
        if (!fire(key->owed, key->at_us)) {
            return;
        }
    }
#endif
    if (key->flags & CTL_LIVE) {
        key->flags &= (uint8_t)~CTL_LIVE;
        tap_key(k);
    }
}

void ctl_key_released(uint8_t s)
{
#if CTL_HAS_CHORDS
    if (ctl.group & CTL_BIT(s)) {
        ctl_close_group();
    }
#endif
#if CTL_HAS_EAGER
    if (ctl.eager_fired & CTL_BIT(s)) {
        ctl_choice_t owed = ctl.eager_release[s];
        ctl.eager_fired &= (ctl_switches_t)~CTL_BIT(s);
        ctl.eager_release[s] = CTL_NOTHING;
        if (owed) {
            fire(owed, ctl.pressed_us[s]);
        }
    }
#endif
#if CTL_HAS_CHORDS
    if (ctl.owner[s] < CTL_KEYS) {
        key_up(ctl.owner[s]);
    }
#else
    key_up(s);
#endif
}

/* A mode change cancels all that is under way; a fired press still owes its release. */
void ctl_wipe(void)
{
    CTL_ACCOUNT(ctl_switches_t unanswered = ctl.arriving);
#if CTL_HAS_CHORDS
    CTL_ACCOUNT(unanswered |= ctl.group);
    ctl.group = 0;
#endif
    for (uint8_t k = 0; k < CTL_KEYS; k++) {
        struct ctl_key *key = &ctl.keys[k];
        CTL_ACCOUNT(unanswered |= key->flags & CTL_LIVE ? ctl_masks[k] : 0);
        key->flags = (uint8_t)(key->flags & CTL_LAPSING ? 0 : key->flags & CTL_OWING);
    }
#if CTL_DOUBLE_KEYS
    for (uint8_t w = 0; w < CTL_DOUBLE_KEYS; w++) {
        if (ctl.taps[w].state) {
            forget_tap(w);
            CTL_ACCOUNT(end_unanswered(ctl.taps[w].unanswered, CTL_CANCELLED));
        }
    }
#endif
    CTL_ACCOUNT(end_unanswered(unanswered & (ctl_switches_t)~ctl.answered, CTL_CANCELLED));
    CTL_ACCOUNT(ctl.arriving = 0);
    CTL_ACCOUNT(ctl.answered = 0);
    for (struct ctl_deadline *each = &ctl.deadlines[CTL_GROUP_SLOT]; each < &ctl.deadlines[CTL_TIMER_SLOT];
         each++) { /* at most CTL_TIMER_SLOT - CTL_GROUP_SLOT rounds */
        each->state = 0;
    }
    ctl.is_soonest_unsure = true;
#if CTL_HAS_CHORDS
    for (uint8_t s = 0; s < CTL_SWITCHES; s++) {
        if (ctl.owner[s] < CTL_KEYS && !(ctl.keys[ctl.owner[s]].flags & CTL_OWING)) {
            ctl.owner[s] = CTL_NOBODY;
        }
    }
#endif
}

#if CTL_HAS_RESTART
/* Fire the releases that fired presses still owe, as if every foot were lifted. */
void ctl_pay_releases(void)
{
#if CTL_HAS_EAGER
    for (uint8_t s = 0; s < CTL_SWITCHES; s++) {
        if (ctl.eager_fired & CTL_BIT(s) && ctl.eager_release[s]) {
            fire(ctl.eager_release[s], ctl.pressed_us[s]);
        }
    }
#endif
#if CTL_HAS_RELEASE
    for (uint8_t k = 0; k < CTL_KEYS; k++) {
        if (ctl.keys[k].flags & CTL_OWING) {
            fire(ctl.keys[k].owed, ctl.keys[k].at_us);
        }
    }
#endif
}
#endif
