/* Modes, drafts and power-on: where an action leads, and what an instant ends with. */
#include <string.h>

#include "state.h"

struct ctl_state ctl;

/* Begin as at power-on, with the contacts as they are; the cells are left alone. */
static void begin(uint32_t now_us)
{
    memset((uint8_t *)&ctl + offsetof(struct ctl_state, deadlines), 0, sizeof ctl - offsetof(struct ctl_state, deadlines));
    ctl.now_us = now_us;
    ctl.soonest_us = now_us + CTL_FAR_US;
    ctl.waking_us = ctl.soonest_us;
    ctl.mode = CTL_NO_MODE;
    ctl.next_mode = CTL_NO_MODE;
#if CTL_HAS_CHORDS
    memset(ctl.owner, CTL_NOBODY, sizeof ctl.owner);
#endif
#if CTL_HAS_TEMPO
    ctl_start_tempo();
#endif
#if CTL_PEDALS
    ctl_start_pedals();
#endif
    ctl_arm(CTL_POWER_ON_SLOT, now_us + CTL_POWER_ON_US);
#if CTL_AGES
    ctl.aged_us = now_us;
#endif
    //@ split ctl.mode;
}

/* Power on at an instant; the cells hold what was kept, or their first values. */
void ctl_start(uint32_t now_us)
{
    begin(now_us);
}

void ctl_enter(uint8_t mode)
{
    ctl.next_mode = mode;
}

static void leave(void)
{
#if CTL_HAS_CANCELLING_MODES
    if (ctl_delayed_cancels[ctl.mode]) {
        ctl_cancel_delayed(ctl.mode);
    }
#endif
    ctl_run_leave();
#if CTL_DRAFT_BYTES
    if (ctl.drafting && !ctl_draft_saves[ctl.mode]) {
        ctl_cancel_draft();
    } else if (ctl.drafting) {
        CTL_KEPT_CHANGED();
    }
    ctl.drafting = false;
#endif
    ctl_wipe();
#if CTL_TIMERS
    for (uint8_t timer = 0; timer < CTL_TIMERS; timer++) {
        ctl_disarm((uint8_t)(CTL_TIMER_SLOT + timer));
    }
#endif
}

/* Go where the actions that have just run want to go, and on from there if the new mode's own action wants so. */
static void change_mode(void)
{
#if CTL_HAS_RESTART
    if (ctl.restarting == CTL_RESTARTING) {
        ctl.next_mode = CTL_NO_MODE;
    }
#endif
    while (ctl.next_mode != CTL_NO_MODE) { /* at most CTL_MOST_ENTERED rounds */
        if (ctl.mode != CTL_NO_MODE) {
            leave();
        }
        ctl.mode = ctl.next_mode;
        ctl.next_mode = CTL_NO_MODE;
        //@ split ctl.mode;
        CTL_HAPPENED(CTL_MODE, ctl.mode);
#if CTL_DRAFT_BYTES
        if (ctl_mode_drafts[ctl.mode].count) {
            ctl_save_draft();
        }
#endif
#if CTL_TIMERS
        for (uint8_t timer = 0; timer < ctl_mode_timers[ctl.mode].count; timer++) { /* at most CTL_TIMERS rounds */
            ctl_restart_timer(timer);
        }
#endif
        ctl_run_enter();
    }
    ctl.changes++;
    ctl.dirty = true;
}

/* After an action: go where it wants to go. */
void ctl_follow(void)
{
    if (ctl.next_mode != CTL_NO_MODE) {
        change_mode();
    }
}

/* The contacts have settled after power-on: what is down is spent, and the first mode is entered. */
void ctl_settled(void)
{
    ctl.level = ctl.contacts;
    for (uint8_t s = 0; s < CTL_SWITCHES; s++) {
        if (ctl.level & CTL_BIT(s)) {
            CTL_HAPPENED(CTL_EDGE, s << 1 | 1);
            CTL_HAPPENED(CTL_ENDED, s << 2 | CTL_SPENT);
        }
    }
    ctl.next_mode = CTL_HOME;
    ctl_run_power_on(ctl.level);
    change_mode();
#if CTL_PEDALS
    for (uint8_t pedal = 0; pedal < CTL_PEDALS; pedal++) {
        ctl_pedal_rested(pedal);
    }
#endif
}

#if CTL_TIMERS
/* The timer of that number of the current mode counts anew from now; nothing where the mode has none. */
void ctl_restart_timer(uint8_t timer)
{
    if (ctl.mode != CTL_NO_MODE && timer < ctl_mode_timers[ctl.mode].count) {
        ctl_arm((uint8_t)(CTL_TIMER_SLOT + timer), ctl.now_us + ctl_timers[ctl_mode_timers[ctl.mode].first + timer].period_us);
    }
}

void ctl_timer_timed_out(uint8_t timer)
{
    if (ctl_timers[ctl_mode_timers[ctl.mode].first + timer].every) {
        ctl_restart_timer(timer);
    }
    ctl_run_timer(ctl.mode, timer);
    ctl_follow();
}
#endif

#if CTL_DRAFT_BYTES
/* Where the snapshot holds the byte that stands at this place of the cells, or null where it is not drafted now. */
uint8_t *ctl_in_snapshot(ctl_offset_t offset)
{
    if (!ctl.drafting) {
        return NULL;
    }
    const CTL_FLASH struct ctl_part *part = &ctl_mode_drafts[ctl.mode];
    const CTL_FLASH struct ctl_range *range = &ctl_drafts[part->first];
    uint8_t *saved = ctl.snapshot;
    for (ctl_part_t i = part->count; i; i--, range++) { /* at most CTL_MOST_DRAFTED rounds */
        if (offset >= range->offset && offset - range->offset < range->size) {
            return saved + (offset - range->offset);
        }
        saved += range->size;
    }
    return NULL;
}

/* The memcpy of small chips takes half as long again. */
static void copy(uint8_t *to, const uint8_t *from, ctl_offset_t count)
{
    for (; count >= 8u; count = (ctl_offset_t)(count - 8u)) { /* at most CTL_DRAFT_BYTES / 8 rounds in all */
        to[0] = from[0];
        to[1] = from[1];
        to[2] = from[2];
        to[3] = from[3];
        to[4] = from[4];
        to[5] = from[5];
        to[6] = from[6];
        to[7] = from[7];
        to += 8;
        from += 8;
    }
    for (; count; count--) { /* at most 7 rounds */
        *to++ = *from++;
    }
}

/* All that the current mode drafts goes into the snapshot, or back from there. */
static void copy_draft(bool back)
{
    const CTL_FLASH struct ctl_part *part = &ctl_mode_drafts[ctl.mode];
    const CTL_FLASH struct ctl_range *range = &ctl_drafts[part->first];
    uint8_t *saved = ctl.snapshot;
    for (ctl_part_t i = part->count; i; i--, range++) { /* at most CTL_MOST_DRAFTED rounds */
        uint8_t *cell = (uint8_t *)&cells + range->offset;
        copy(back ? cell : saved, back ? saved : cell, range->size);
        saved += range->size;
    }
}

/* Make the drafted cells' present values the ones that cancelling restores and power-off keeps. */
void ctl_save_draft(void)
{
    if (ctl.mode == CTL_NO_MODE) {
        return;
    }
    copy_draft(false);
    if (ctl.drafting) {
        CTL_KEPT_CHANGED();
    }
    ctl.drafting = true;
    ctl.dirty = true;
}

/* Give the drafted cells back the values they had on entering the mode, or at the last save. */
void ctl_cancel_draft(void)
{
    if (ctl.drafting) {
        copy_draft(true);
    }
    ctl.dirty = true;
}

/* Whether a cell, or an element of one, is drafted and differs from its snapshot. */
bool ctl_changed(ctl_offset_t offset, ctl_offset_t size)
{
    const uint8_t *saved = ctl_in_snapshot(offset);
    return saved && memcmp(saved, (const uint8_t *)&cells + offset, size) != 0; /* at most CTL_DRAFT_BYTES rounds */
}

/* Whether anything that is drafted does. */
bool ctl_draft_changed(void)
{
    if (!ctl.drafting) {
        return false;
    }
    const CTL_FLASH struct ctl_part *part = &ctl_mode_drafts[ctl.mode];
    const CTL_FLASH struct ctl_range *range = &ctl_drafts[part->first];
    for (ctl_part_t i = part->count; i; i--, range++) { /* at most CTL_MOST_DRAFTED rounds */
        if (ctl_changed(range->offset, range->size)) {
            return true;
        }
    }
    return false;
}

/* A cell has been given values that cancelling is to restore too. */
void ctl_renew_draft(ctl_offset_t offset, ctl_offset_t size)
{
    uint8_t *saved = ctl_in_snapshot(offset);
    if (saved) {
        memcpy(saved, (const uint8_t *)&cells + offset, size); /* at most CTL_DRAFT_BYTES rounds */
    }
}
#endif

#if CTL_HAS_RESTART
/* Begin again as at power-on, at the end of this instant. */
void ctl_restart(void)
{
    ctl.restarting = CTL_ASKED_TO_RESTART;
    ctl.dirty = true;
}

/* Leave the mode and let go of what sounds. */
static void let_go(void)
{
    ctl.restarting = CTL_RESTARTING;
    leave();
    ctl_pay_releases();
#if CTL_HAS_DELAYED
    ctl_cancel_delayed(CTL_NO_MODE);
#endif
    ctl.restarting = CTL_RESTARTING;
    ctl.dirty = true;
}

/* Begin again with what is kept and the contacts as they are. */
static void begin_again(void)
{
#if CTL_HAS_CELLS
    ctl_take_unkept_values();
#endif
    begin(ctl.now_us);
    CTL_HAPPENED(CTL_RESTARTED, 0);
    ctl_darken();
}
#endif

/* The end of an instant: put out what display and LEDs show differently from before. A restart takes two looks, with CTL_AT_ONCE one. */
void ctl_look(void)
{
    if (!ctl.dirty) {
        return;
    }
    ctl.dirty = false;
    if (ctl.mode == CTL_NO_MODE) {
        return;
    }
#if CTL_HAS_RESTART
    if (ctl.restarting == CTL_ASKED_TO_RESTART) {
        let_go();
#ifndef CTL_AT_ONCE
        return;
#endif
    }
    if (ctl.restarting == CTL_RESTARTING) {
        begin_again();
        return;
    }
#endif
    ctl_show();
}
