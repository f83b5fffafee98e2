/* From contact to edge: each switch is debounced by settling or by lockout, for presses and releases separately.
 *
 * Here is also the order of things: what is due, each at its own time, then the changes of an instant, releases before
 * presses.
 */
#include "state.h"

#define HAS_LOCKOUT (CTL_PRESS_LOCKOUT_US || CTL_RELEASE_LOCKOUT_US)
#define PRESSES_WAIT (CTL_PRESS_SETTLE_US || CTL_RELEASE_LOCKOUT_US)
#define HAS_SETTLING (CTL_PRESS_SETTLE_US || CTL_RELEASE_SETTLE_US)

/* Beside CTL_ARMED in the state of a contact's wait: it is not believed until a lockout is over. That is at the time of the wait, or,
 * when it has changed meanwhile and the wait is armed, SETTLE_US before: then the change will have settled. */
#define LOCKED 2u
#define SETTLE_US (CTL_PRESS_SETTLE_US + CTL_RELEASE_SETTLE_US) /* where there is a lockout, one of them is 0 */

#if HAS_LOCKOUT
static void lock(struct ctl_deadline *wait, uint32_t lockout_us)
{
    wait->state = LOCKED;
    wait->due_us = ctl.now_us + lockout_us;
}

/* A lockout that is over is forgotten, or it would begin anew when the counter comes round. */
void ctl_forget_lockout(uint8_t s)
{
    struct ctl_deadline *wait = &ctl.contact_waits[s];
    if (wait->state == LOCKED && !ctl_before(ctl.now_us, wait->due_us)) {
        wait->state = 0;
    }
}
#endif

#if HAS_SETTLING
static void settle(struct ctl_deadline *wait, uint32_t settle_us)
{
    ctl_arm_one(wait, ctl.now_us + settle_us, &ctl.waking_us);
}
#endif

static void edge_down(uint8_t s)
{
    ctl.level |= CTL_BIT(s);
    CTL_HAPPENED(CTL_EDGE, s << 1 | 1);
    ctl_key_pressed(s);
}

static void edge_up(uint8_t s)
{
    ctl.level &= (ctl_switches_t)~CTL_BIT(s);
    CTL_HAPPENED(CTL_EDGE, s << 1);
    ctl_key_released(s);
}

static void closed(uint8_t s, struct ctl_deadline *wait)
{
    (void)s;
    (void)wait;
#if CTL_PRESS_SETTLE_US
    settle(wait, CTL_PRESS_SETTLE_US);
#else
#if CTL_PRESS_LOCKOUT_US
    lock(wait, CTL_PRESS_LOCKOUT_US);
#endif
    edge_down(s);
#endif
}

static void opened(uint8_t s, struct ctl_deadline *wait)
{
    (void)s;
    (void)wait;
#if CTL_RELEASE_SETTLE_US
    settle(wait, CTL_RELEASE_SETTLE_US);
#else
#if CTL_RELEASE_LOCKOUT_US
    lock(wait, CTL_RELEASE_LOCKOUT_US);
#endif
    edge_up(s);
#endif
}

#if HAS_LOCKOUT
static uint32_t locked_until_us(const struct ctl_deadline *wait)
{
    return wait->state & CTL_ARMED ? wait->due_us - SETTLE_US : wait->due_us;
}
#endif

/* A contact has changed; until those that were down at power-on have settled, that only makes the wait begin anew. */
static void changed(uint8_t s, bool is_closed)
{
    struct ctl_deadline *wait = &ctl.contact_waits[s];
    if (ctl.mode == CTL_NO_MODE) {
        ctl_arm(CTL_POWER_ON_SLOT, ctl.now_us + CTL_POWER_ON_US);
        return;
    }
#if HAS_LOCKOUT
    uint32_t until_us = locked_until_us(wait);
    wait->state = wait->state & LOCKED && ctl_before(ctl.now_us, until_us) ? LOCKED : 0;
    wait->due_us = until_us;
#else
    wait->state = 0;
#endif
    if (!is_closed == !(ctl.level & CTL_BIT(s))) {
        ctl.waking_us = ctl_first(ctl.contact_waits, CTL_SWITCHES);
#if HAS_LOCKOUT
    } else if (wait->state) {
        ctl_arm_one(wait, until_us + SETTLE_US, &ctl.waking_us);
#endif
    } else if (is_closed) {
        closed(s, wait);
    } else {
        opened(s, wait);
    }
}

/* A contact has waited long enough: a settled release counts at once, all else after the other releases of the instant. */
static void waited(uint8_t s)
{
#if CTL_RELEASE_SETTLE_US
#if CTL_PRESS_SETTLE_US
    if (!(ctl.level & CTL_BIT(s))) {
        ctl.postponed |= CTL_BIT(s);
        return;
    }
#endif
    edge_up(s);
#else
    ctl.postponed |= CTL_BIT(s);
#endif
}

/* All edges of one instant in order: releases, presses, then the releases of what was pressed just now. */
static void all_changed(ctl_switches_t changes, ctl_switches_t contacts)
{
    ctl_switches_t presses = 0;
#if CTL_PRESS_SETTLE_US
    presses = ctl.postponed & (ctl_switches_t)~ctl.level;
#endif
    changes |= ctl.postponed & (ctl_switches_t)~presses;
    ctl.postponed = 0;
    ctl_switches_t late = changes & (ctl_switches_t)~contacts & presses;
    ctl_switches_t early = changes & (ctl_switches_t)~contacts & (ctl_switches_t)~presses;
    ctl_switches_t down = (changes & contacts) | presses;
    for (uint8_t s = 0; s < CTL_SWITCHES; s++) {
        if (early & CTL_BIT(s)) {
            changed(s, false);
        }
    }
    for (uint8_t s = 0; s < CTL_SWITCHES; s++) {
        if (presses & CTL_BIT(s)) {
            edge_down(s);
        } else if (down & CTL_BIT(s)) {
            changed(s, true);
        }
    }
    for (uint8_t s = 0; s < CTL_SWITCHES; s++) {
        if (late & CTL_BIT(s)) {
            changed(s, false);
        }
    }
}

/* The wait of a contact ends now; of several that end at one instant those of releases come first. */
static void wake(void)
{
    uint8_t first = CTL_SWITCHES;
    const struct ctl_deadline *wait = ctl.contact_waits;
    for (uint8_t s = 0; s < CTL_SWITCHES; s++, wait++) {
        if (wait->state & CTL_ARMED && wait->due_us == ctl.now_us) {
            if (!PRESSES_WAIT || ctl.level & CTL_BIT(s)) {
                first = s;
                break;
            }
            first = first == CTL_SWITCHES ? s : first;
        }
    }
    if (first < CTL_SWITCHES) {
        ctl.contact_waits[first].state = 0;
        waited(first);
    }
}

/* When something is due next, if nothing comes from outside before; perhaps a little too early. */
uint32_t ctl_due_us(void)
{
    return ctl_before(ctl.waking_us, ctl.soonest_us) ? ctl.waking_us : ctl.soonest_us;
}

/* One of the things that are due at an instant: a deadline, and only then a contact's wait. */
static void happen_at(uint32_t at_us, bool is_last)
{
    ctl.now_us = at_us;
    if (ctl.soonest_us == at_us) {
        ctl_time_out();
        return;
    }
    wake();
    if (ctl.postponed && !is_last) {
        all_changed(0, ctl.contacts);
    }
    ctl.waking_us = ctl_first(ctl.contact_waits, CTL_SWITCHES);
}

/* The first of the things that are due at ctl_due_us(). */
void ctl_happen(void)
{
    happen_at(ctl_due_us(), false);
}

/* Contacts are found to be so, now that all is done that was due. */
void ctl_take_contacts(uint32_t now_us, ctl_switches_t contacts)
{
    ctl_switches_t changes = ctl.contacts ^ contacts;
    ctl.now_us = now_us;
    ctl.contacts = contacts;
    if (changes | ctl.postponed) {
        all_changed(changes, contacts);
    }
}

#ifdef CTL_AT_ONCE
/* Handle everything up to `now_us` at its own time, then the contacts seen at `now_us`, in the order that is right for what happens at
 * one instant. Display and LEDs of `now_us` are looked at afterwards, by ctl_look. */
void ctl_advance(uint32_t now_us, ctl_switches_t contacts)
{
    for (;;) {
        uint32_t at_us = ctl_due_us();
        if (ctl_before(now_us, at_us)) {
            break;
        }
        happen_at(at_us, at_us == now_us);
            if (at_us != now_us && ctl_due_us() != at_us) {
            ctl_look();
        }
    }
    ctl_take_contacts(now_us, contacts);
}
#endif
