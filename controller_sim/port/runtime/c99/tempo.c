/* Tempo, tap tempo and MIDI clock, in whole numbers that never drift.
 *
 * quarter_parts quarter notes last quarter_us microseconds, exactly; a tick of the clock is the 24th part of one.
 */
#include "state.h"

#if CTL_HAS_TEMPO
#define MINUTE_US 60000000u

/* Whether a tempo, a fraction of so many beats a minute when rounded, is the present one. Two that round alike are so near each other
 * that their products differ by less than 2^32 (at most CTL_TAP_INTERVALS parts each, or as many as there are beats): 32 bits of them
 * are enough. */
static bool is_present(uint32_t quarter_us, uint16_t parts, uint16_t tempo)
{
    return tempo == ctl.tempo && quarter_us * ctl.quarter_parts == ctl.quarter_us * parts;
}

void ctl_start_tempo(void)
{
    ctl.tempo = CTL_TEMPO_START;
    ctl.quarter_us = MINUTE_US;
    ctl.quarter_parts = CTL_TEMPO_START;
}

#if CTL_HAS_CLOCK
#define TICKS_PER_QUARTER 24u /* MIDI 1.0 Detailed Specification 4.2.1, p. 30 */
#define FIRST_TICK_US 1000u

static uint16_t parts_per_tick(void)
{
    return (uint16_t)(TICKS_PER_QUARTER * ctl.quarter_parts);
}

/* The next tick's instant, rounded. */
static uint32_t tick_due_us(void)
{
    return ctl.tick_us + (ctl.tick_rest >= parts_per_tick() - ctl.tick_rest);
}

static void set_tick_deadline(void)
{
    ctl_arm(CTL_CLOCK_SLOT, tick_due_us());
}

/* One tick on. How long all ticks of a tempo are is found out at its first, as dividing takes long on a small chip. */
static void count_tick(void)
{
    uint16_t parts = parts_per_tick();
    if (!ctl.tick_length_us) {
        ctl.tick_length_us = ctl.quarter_us / parts;
        ctl.tick_left = (uint16_t)((ctl.quarter_us - ctl.tick_length_us * parts) & 0xFFFFu);
    }
    ctl.tick_us += ctl.tick_length_us;
    uint32_t rest = (uint32_t)ctl.tick_rest + ctl.tick_left;
    if (rest >= parts) {
        rest -= parts;
        ctl.tick_us++;
    }
    ctl.tick_rest = (uint16_t)rest;
}

/* A new tempo counts from the last tick; if the next one has passed by then, it comes now. */
static void retime_clock(void)
{
    if (!ctl.clock_running || !ctl.clock_ticked) {
        return;
    }
    ctl.tick_us = ctl.last_tick_us;
    ctl.tick_rest = 0;
    count_tick();
    uint32_t due_us = tick_due_us();
    if (!ctl_before(ctl.now_us, due_us)) {
        due_us = ctl.now_us + 1;
        ctl.tick_us = due_us;
        ctl.tick_rest = 0;
    }
    ctl_arm(CTL_CLOCK_SLOT, due_us);
}

#ifndef CTL_AT_ONCE
/* To be called when a tempo was set, before the clock is waited for again. */
void ctl_retime_clock(void)
{
    ctl.clock_is_old = false;
    retime_clock();
}
#endif

/* Start or stop the clock; nothing happens when it is so already. */
void ctl_run_clock(bool running)
{
    if (running == ctl.clock_running) {
        return;
    }
    ctl.clock_running = running;
    if (running) {
        ctl.clock_ticked = false;
        ctl.tick_us = ctl.now_us + FIRST_TICK_US;
        ctl.tick_rest = 0;
        set_tick_deadline();
    } else {
        ctl_disarm(CTL_CLOCK_SLOT);
    }
}

void ctl_tick(void)
{
    ctl_send1(CTL_CLOCK_PORTS, 0xF8);
    ctl.last_tick_us = ctl.now_us;
    ctl.clock_ticked = true;
    count_tick();
    set_tick_deadline();
}
#endif

static void set_quarter(uint32_t quarter_us, uint16_t parts, uint16_t tempo)
{
    if (is_present(quarter_us, parts, tempo)) {
        return;
    }
    ctl.quarter_us = quarter_us;
    ctl.quarter_parts = parts;
    ctl.tempo = tempo;
#if CTL_HAS_CLOCK
    ctl.tick_length_us = 0;
#ifdef CTL_AT_ONCE
    retime_clock();
#else
    ctl.clock_is_old = true;
#endif
#endif
}

void ctl_set_tempo(int16_t beats)
{
    uint16_t tempo = (uint16_t)ctl_clamp16(beats, CTL_TEMPO_LOW, CTL_TEMPO_HIGH);
    set_quarter(MINUTE_US, tempo, tempo);
}

#if CTL_HAS_TAP_TEMPO || CTL_FOLLOW
/* Set the tempo at which so many quarters take so long, clamped to the design's range. The limits are only nearly told by constants:
 * what they leave over rounds to a tempo within the range, and only one at its end needs a closer look. */
static void set_mean(uint32_t total_us, uint8_t quarters)
{
    uint32_t beats_us = MINUTE_US * quarters;
    if (total_us < MINUTE_US / CTL_TEMPO_HIGH * quarters) {
        ctl_set_tempo(CTL_TEMPO_HIGH);
    } else if (total_us > (MINUTE_US / CTL_TEMPO_LOW + 1u) * quarters) {
        ctl_set_tempo(CTL_TEMPO_LOW);
    } else {
        uint16_t tempo = (uint16_t)((2u * beats_us + total_us) / (2u * total_us));
        if ((tempo == CTL_TEMPO_HIGH && total_us * CTL_TEMPO_HIGH < beats_us) ||
            (tempo == CTL_TEMPO_LOW && total_us * CTL_TEMPO_LOW > beats_us)) {
            ctl_set_tempo((int16_t)tempo);
        } else {
            set_quarter(total_us, quarters, tempo);
        }
    }
}
#endif

#if CTL_HAS_TAP_TEMPO
#define TAP_BOUNCE_US 100000u

/* A series that can not go on is as good as none, but a tap may have been pressed long ago. */
void ctl_forget_taps(void)
{
    if (ctl.tapped && ctl.now_us - ctl.tapped_us > 1342177280u) {
        ctl.tapped_us = ctl.now_us - 1342177280u;
    }
}

static void begin_series(void)
{
    ctl.tap_count = 0;
    ctl.tap_outlier = false;
}

/* Whether an interval is off the mean of those of the series by more than a quarter. */
static bool is_outlier(uint32_t interval_us, uint32_t sum_us)
{
    uint32_t scaled_us = interval_us * ctl.tap_count;
    uint32_t off_us = scaled_us > sum_us ? scaled_us - sum_us : sum_us - scaled_us;
    return ctl.tap_count && off_us * 4u > sum_us;
}

/* One tap, at the physical press of the key whose gesture runs now. */
void ctl_tap_tempo(void)
{
    uint32_t interval_us = ctl.gesture_us - ctl.tapped_us, sum_us = 0;
    if (ctl.tapped && (ctl_before(ctl.gesture_us, ctl.tapped_us) || interval_us < TAP_BOUNCE_US)) {
        return;
    }
    bool first = !ctl.tapped;
    ctl.tapped = true;
    ctl.tapped_us = ctl.gesture_us;
    if (first) {
        return;
    }
    if (interval_us > CTL_TAP_PAUSE_US) {
        begin_series();
        return;
    }
    for (uint8_t i = 0; i < ctl.tap_count; i++) { /* at most CTL_TAP_INTERVALS rounds */
        sum_us += ctl.tap_intervals_us[i];
    }
    if (is_outlier(interval_us, sum_us)) {
        if (!ctl.tap_outlier) {
            ctl.tap_outlier = true;
            return;
        }
        begin_series();
        sum_us = 0;
    }
    ctl.tap_outlier = false;
    if (ctl.tap_count == CTL_TAP_INTERVALS) {
        sum_us -= ctl.tap_intervals_us[0];
        ctl.tap_count--;
        for (uint8_t i = 0; i < ctl.tap_count; i++) { /* at most CTL_TAP_INTERVALS rounds */
            ctl.tap_intervals_us[i] = ctl.tap_intervals_us[i + 1];
        }
    }
    ctl.tap_intervals_us[ctl.tap_count++] = interval_us;
    set_mean(sum_us + interval_us, ctl.tap_count);
}
#endif

#if CTL_FOLLOW
void ctl_forget_ticks(void)
{
    if (ctl.now_us - ctl.heard_tick_us > CTL_FOLLOW_PAUSE_US) {
        ctl.heard_tick = false;
    }
}

/* A tick of another's clock: each 24th sets the tempo to that of the beat just ended. */
void ctl_hear_tick(void)
{
    bool anew = !ctl.heard_tick || ctl.now_us - ctl.heard_tick_us > CTL_FOLLOW_PAUSE_US;
    ctl.heard_tick = true;
    ctl.heard_tick_us = ctl.now_us;
    if (anew) {
        ctl.beat_ticks = 0;
        ctl.beat_us = ctl.now_us;
    } else if (++ctl.beat_ticks == 24) {
        ctl.beat_ticks = 0;
        set_mean(ctl.now_us - ctl.beat_us, 1);
        ctl.beat_us = ctl.now_us;
        ctl.dirty = true;
    }
}
#endif
#endif
