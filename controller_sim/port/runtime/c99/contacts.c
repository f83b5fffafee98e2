/* From contact to edge: each switch is debounced by settling or by lockout, for presses and releases separately.
 *
 * Here is also the order of things: what is due, each at its own time, then the changes of an instant, releases before
 * presses.
 */
#include "state.h"

void ctl_forget_lockouts(void)
{
#if CTL_PRESS_LOCKOUT_US || CTL_RELEASE_LOCKOUT_US
    for (uint8_t s = 0; s < CTL_SWITCHES; s++) {
        if (!ctl_before(ctl.now_us, ctl.locked_until_us[s])) {
            ctl.locked &= (ctl_switches_t)~CTL_BIT(s);
        }
    }
#endif
}

#if CTL_PRESS_SETTLE_US || CTL_RELEASE_SETTLE_US || CTL_PRESS_LOCKOUT_US || CTL_RELEASE_LOCKOUT_US
static void wait_for(uint8_t s, uint32_t due_us)
{
    ctl.contact_due_us[s] = due_us;
    ctl.waits[s] = true;
    if (ctl_before(due_us, ctl.waking_us)) {
        ctl.waking_us = due_us;
    }
}
#endif

#if CTL_PRESS_LOCKOUT_US || CTL_RELEASE_LOCKOUT_US
static void lock(uint8_t s, uint32_t lockout_us)
{
    ctl.locked |= CTL_BIT(s);
    ctl.locked_until_us[s] = ctl.now_us + lockout_us;
}

static bool is_locked(uint8_t s)
{
    return ctl.locked & CTL_BIT(s) && ctl_before(ctl.now_us, ctl.locked_until_us[s]);
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

static void closed(uint8_t s)
{
#if CTL_RELEASE_SETTLE_US || CTL_PRESS_LOCKOUT_US
    if (ctl.level & CTL_BIT(s)) {
        ctl.waits[s] = false;
        return;
    }
#endif
#if CTL_PRESS_SETTLE_US
    uint32_t start_us = ctl.now_us;
#if CTL_RELEASE_LOCKOUT_US
    if (is_locked(s)) {
        start_us = ctl.locked_until_us[s];
    }
#endif
    wait_for(s, start_us + CTL_PRESS_SETTLE_US);
#else
#if CTL_RELEASE_LOCKOUT_US
    if (is_locked(s)) {
        wait_for(s, ctl.locked_until_us[s]);
        return;
    }
#endif
#if CTL_PRESS_LOCKOUT_US
    lock(s, CTL_PRESS_LOCKOUT_US);
#endif
    edge_down(s);
#endif
}

static void opened(uint8_t s)
{
#if CTL_PRESS_SETTLE_US || CTL_RELEASE_LOCKOUT_US
    if (!(ctl.level & CTL_BIT(s))) {
        ctl.waits[s] = false;
        return;
    }
#endif
#if CTL_RELEASE_SETTLE_US
    uint32_t start_us = ctl.now_us;
#if CTL_PRESS_LOCKOUT_US
    if (is_locked(s)) {
        start_us = ctl.locked_until_us[s];
    }
#endif
    wait_for(s, start_us + CTL_RELEASE_SETTLE_US);
#else
#if CTL_PRESS_LOCKOUT_US
    if (is_locked(s)) {
        wait_for(s, ctl.locked_until_us[s]);
        return;
    }
#endif
#if CTL_RELEASE_LOCKOUT_US
    lock(s, CTL_RELEASE_LOCKOUT_US);
#endif
    edge_up(s);
#endif
}

/* A contact has changed; until those that were down at power-on have settled, that only makes the wait begin anew. */
static void changed(uint8_t s, bool is_closed)
{
    if (ctl.mode == CTL_NO_MODE) {
        ctl_arm(CTL_POWER_ON_SLOT, ctl.now_us + CTL_POWER_ON_US);
    } else if (is_closed) {
        closed(s);
    } else {
        opened(s);
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

/* The first waits of contacts are over, all at one instant. */
static void wake(void)
{
    for (uint8_t s = 0; s < CTL_SWITCHES; s++) {
        if (ctl.waits[s] && ctl.contact_due_us[s] == ctl.now_us) {
            ctl.waits[s] = false;
            waited(s);
        }
    }
}

/* Handle everything up to `now_us` at its own time, then the contacts seen at `now_us`. Display and LEDs of `now_us` are
 * looked at afterwards, by ctl_look. */
void ctl_advance(uint32_t now_us, ctl_switches_t contacts)
{
    ctl_switches_t changes = ctl.contacts ^ contacts;
    for (;;) {
        uint32_t at_us = ctl_before(ctl.waking_us, ctl.soonest_us) ? ctl.waking_us : ctl.soonest_us;
        if (ctl_before(now_us, at_us)) {
            break;
        }
        ctl.now_us = at_us;
        if (ctl.soonest_us == at_us) {
            ctl_time_out();
        }
        if (ctl.waking_us == at_us) {
            wake();
            if (ctl.postponed && at_us == now_us) {
                all_changed(changes, contacts);
                changes = 0;
            } else if (ctl.postponed) {
                all_changed(0, ctl.contacts);
            }
            ctl.waking_us = ctl_first(ctl.contact_due_us, ctl.waits, CTL_SWITCHES);
        }
        if (at_us != now_us) {
            ctl_look();
        }
    }
    ctl.now_us = now_us;
    ctl.contacts = contacts;
    if (changes) {
        all_changed(changes, contacts);
    }
}
