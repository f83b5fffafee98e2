/* Time: a 32-bit counter of microseconds that wraps. Times are compared by their distance, which is below 2^31. */
#include "state.h"

bool ctl_before(uint32_t a_us, uint32_t b_us)
{
    /* The highest bit alone: a quarter of the work on a chip of 8 bits. */
    return (uint8_t)((a_us - b_us) >> 24) & 0x80u;
}

/* Wait for an instant; `first_us` is kept not later than it. */
void ctl_arm_one(struct ctl_deadline *deadline, uint32_t due_us, uint32_t *first_us)
{
    deadline->due_us = due_us;
    deadline->state |= CTL_ARMED;
    if (ctl_before(due_us, *first_us)) {
        *first_us = due_us;
    }
}

void ctl_arm(uint8_t slot, uint32_t due_us)
{
    ctl.is_soonest_unsure |= ctl.deadlines[slot].state;
    ctl_arm_one(&ctl.deadlines[slot], due_us, &ctl.soonest_us);
}

/* Wait no longer. The time that is looked at next may now be too early, which does no harm. */
void ctl_disarm(uint8_t slot)
{
    ctl.deadlines[slot].state = 0;
    ctl.is_soonest_unsure = true;
}

/* The first of some deadlines that are armed, but not further off than CTL_FAR_US. */
uint32_t ctl_first(const struct ctl_deadline *deadline, uint8_t count)
{
    uint32_t first_us = ctl.now_us + CTL_FAR_US;
    for (; count; count--, deadline++) { /* at most count rounds */
        if (deadline->state & CTL_ARMED && ctl_before(deadline->due_us, first_us)) {
            first_us = deadline->due_us;
        }
    }
    return first_us;
}

/* Look for the first deadline anew. */
void ctl_find_soonest(void)
{
    ctl.is_soonest_unsure = false;
    ctl.soonest_us = ctl_first(ctl.deadlines, CTL_SLOTS);
}

#if CTL_AGES
/* One of so many parts is looked through at a time. */
#define PARTS 32u

/* What is old enough to mean the same for ever is forgotten, or it would seem new again when the counter comes round. */
static void age(uint8_t part)
{
    (void)part;
#if CTL_PRESS_LOCKOUT_US || CTL_RELEASE_LOCKOUT_US
    if (part < CTL_SWITCHES) {
        ctl_forget_lockout(part);
    }
#endif
#if CTL_HAS_TAP_TEMPO
    for (uint8_t k = part; k < CTL_KEYS; k = (uint8_t)(k + PARTS)) { /* at most CTL_KEYS / PARTS + 1 rounds */
        if (ctl.now_us - ctl.keys[k].at_us > CTL_FAR_US) {
            ctl.keys[k].at_us = ctl.now_us - CTL_FAR_US;
        }
    }
#if CTL_HAS_CHORDS || CTL_HAS_EAGER
    if (part < CTL_SWITCHES && ctl.now_us - ctl.pressed_us[part] > CTL_FAR_US) {
        ctl.pressed_us[part] = ctl.now_us - CTL_FAR_US;
    }
#endif
    ctl_forget_taps();
#endif
#if CTL_FOLLOW
    ctl_forget_ticks();
#endif
#if CTL_ECHO_US
    if (part < CTL_MOST_ECHOES) {
        ctl_forget_echo(part);
    }
#endif
}

/* Forget some of what is old, once in CTL_AGE_US; all of it in nine minutes, a quarter of half the counter's round. To be called as
 * often as contacts are, or once in two minutes at least. */
void ctl_age(void)
{
    while (ctl.now_us - ctl.aged_us >= CTL_AGE_US) { /* at most 1 round, as no poll is so long */
        ctl.aged_us += CTL_AGE_US;
        age(ctl.aging);
        ctl.aging = (uint8_t)((ctl.aging + 1u) % PARTS);
    }
}
#endif

static void happen(uint8_t slot)
{
    if (slot == CTL_POWER_ON_SLOT) {
        ctl_settled();
#if CTL_HAS_CHORDS
    } else if (slot == CTL_GROUP_SLOT) {
        ctl_close_group();
#endif
    } else if (slot < CTL_TIMER_SLOT) {
        ctl_key_timed_out(slot);
#if CTL_TIMERS
    } else if (slot < CTL_DELAYED_SLOT) {
        ctl_timer_timed_out((uint8_t)(slot - CTL_TIMER_SLOT));
#endif
#if CTL_HAS_DELAYED
    } else if (slot == CTL_DELAYED_SLOT) {
        ctl_send_due();
#endif
#if CTL_HAS_CLOCK
    } else if (slot == CTL_CLOCK_SLOT) {
        ctl_tick();
#endif
#if CTL_HAS_NOTICES
    } else if (slot == CTL_NOTICE_SLOT) {
        ctl.noticing = false;
        ctl.dirty = true;
#endif
#if CTL_PEDALS
    } else {
        ctl_pedal_rested((uint8_t)(slot - CTL_PEDAL_SLOT));
#endif
    }
}

/* The first of the deadlines that are due now. */
void ctl_time_out(void)
{
    struct ctl_deadline *deadline = ctl.deadlines;
    for (uint8_t slot = 0; slot < CTL_SLOTS; slot++, deadline++) {
        if (deadline->state && deadline->due_us == ctl.now_us) {
            deadline->state = 0;
            happen(slot);
            break;
        }
    }
    ctl_find_soonest();
}
