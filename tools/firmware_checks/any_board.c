/* A board of which nothing is known but what hardware.h says: whatever a function may give, it gives. For Frama-C, which follows all
 * runs of the firmware at once.
 *
 * There are two proofs. In the first the storage gives kept cells whatever values they may have. The second (OF_STORAGE) is of the
 * storage alone, whose bytes may be others each time they are read, in any mode and with any draft; that what it gives the cells is within
 * their ranges is proved there. The storage changes nothing but the cells, and those at power-on only.
 */
#include <limits.h>
#include <stddef.h>
#include <stdint.h>

#include <__fc_builtin.h>

#include "any_firmware.h"

#define BETWEEN(low, high) Frama_C_long_long_interval((low), (high))
#define ANY8 ((uint8_t)BETWEEN(0, UINT8_MAX))
#define ANY16 ((uint16_t)BETWEEN(0, UINT16_MAX))
#define ANY32 ((uint32_t)BETWEEN(0, UINT32_MAX))
#define ANY_BOOL ((bool)BETWEEN(0, 1))
#define ANY_SWITCHES ((ctl_switches_t)BETWEEN(0, (1ul << CTL_SWITCHES) - 1u))

#include "any_design.h"

uint32_t hw_now_us(void)
{
    return ANY32;
}

ctl_switches_t hw_closed_contacts(void)
{
    return ANY_SWITCHES;
}

void hw_send(uint8_t ports, const uint8_t *bytes, uint8_t count)
{
    //@ assert \valid_read(bytes + (0 .. count - 1));
    if (ports & CTL_SERIAL) {
        (void)ctl_status_is_running(bytes[0]);
    }
}

#if CTL_LEDS
void hw_set_led(uint8_t led, uint8_t value)
{
    //@ assert led < CTL_LEDS;
    (void)value;
}
#endif

#if CTL_TEXT_BYTES
void hw_show(const char *text)
{
    //@ assert \valid_read(text + (0 .. CTL_TEXT_BYTES));
    (void)text;
}
#endif

#if CTL_PEDALS
uint16_t hw_read_pedal(uint8_t pedal)
{
    //@ assert pedal < CTL_PEDALS;
    return ANY16;
}
#endif

#if CTL_HAS_MIDI_IN
int16_t hw_receive(uint8_t port)
{
    //@ assert port == CTL_SERIAL || port == CTL_USB;
    return (int16_t)BETWEEN(-1, 255);
}
#endif

#if CTL_HAS_STORAGE
#ifdef OF_STORAGE
uint8_t hw_stored(uint16_t address)
{
    (void)address;
    return ANY8;
}

void hw_store(uint16_t address, uint8_t byte)
{
    (void)address;
    (void)byte;
}

bool hw_store_is_busy(void)
{
    return ANY_BOOL;
}
#else
bool ctl_store_power_on(void)
{
    take_any_kept();
    return ANY_BOOL;
}

bool ctl_store_step(void)
{
    return ANY_BOOL;
}
#endif
#endif

#ifdef OF_STORAGE
static void take_any_draft(void)
{
#if CTL_DRAFT_BYTES
    ctl.mode = (uint8_t)BETWEEN(0, CTL_MODES - 1);
    ctl.drafting = ANY_BOOL;
    for (uint16_t i = 0; i < CTL_DRAFT_BYTES; i++) {
        ctl.snapshot[i] = ANY8;
    }
#endif
}

int main(void)
{
    ctl_take_first_values();
    ctl_store_power_on();
    look_at_kept();
    for (;;) {
        take_any_kept();
        take_any_others();
        take_any_draft();
        ctl.stored.changed = ANY_BOOL;
#if CTL_HELD_BYTES
        ctl.stored.held_changed = ANY_BOOL;
#endif
        //@ split ctl.mode;
        ctl_store_step();
    }
}
#else
/* More than there can be at power-on: times, counts and values as they may stand after any number of polls. That is for the analysis to
 * be done sooner; it would find out by itself. */
static void take_any_times(void)
{
    for (uint8_t i = 0; i < CTL_SLOTS; i++) {
        ctl.deadlines[i].due_us = ANY32;
    }
    for (uint8_t i = 0; i < CTL_SWITCHES; i++) {
        ctl.contact_waits[i].due_us = ANY32;
#if CTL_HAS_CHORDS || CTL_HAS_EAGER
        ctl.pressed_us[i] = ANY32;
#endif
    }
    for (uint8_t i = 0; i < CTL_KEYS; i++) {
        ctl.keys[i].at_us = ANY32;
    }
#if CTL_DOUBLE_KEYS
    for (uint8_t i = 0; i < CTL_DOUBLE_KEYS; i++) {
        ctl.taps[i].at_us = ANY32;
    }
#endif
#if CTL_HAS_TEMPO
    ctl.tempo = (uint16_t)BETWEEN(CTL_TEMPO_LOW, CTL_TEMPO_HIGH);
    ctl.quarter_us = ANY32;
    ctl.quarter_parts = (uint16_t)BETWEEN(1, CTL_TEMPO_HIGH);
#endif
#if CTL_HAS_CLOCK
    ctl.tick_us = ANY32;
    ctl.last_tick_us = ANY32;
    ctl.tick_rest = ANY16;
    ctl.tick_left = ANY16;
    ctl.tick_length_us = ANY32;
#endif
#if CTL_HAS_TAP_TEMPO
    ctl.gesture_us = ANY32;
    ctl.tapped_us = ANY32;
    ctl.tap_count = (uint8_t)BETWEEN(0, CTL_TAP_INTERVALS);
    for (uint8_t i = 0; i < CTL_TAP_INTERVALS; i++) {
        ctl.tap_intervals_us[i] = ANY32;
    }
#endif
#if CTL_FOLLOW
    ctl.heard_tick_us = ANY32;
    ctl.beat_us = ANY32;
    ctl.beat_ticks = (uint8_t)BETWEEN(0, 23);
#endif
}

/* What waits and what came in. Of a queue that is proved never to be full it is to be found out that it is not. */
static void take_any_messages(void)
{
#if CTL_DELAYED_OVERFLOWS
    ctl.delayed_count = (uint8_t)BETWEEN(0, CTL_DELAYED_MESSAGES);
    for (uint8_t i = 0; i < CTL_DELAYED_MESSAGES; i++) {
        ctl.delayed[i].due_us = ANY32;
        ctl.delayed[i].mode = ANY8;
        ctl.delayed[i].message.ports = (uint8_t)BETWEEN(0, 3);
        ctl.delayed[i].message.count = (uint8_t)BETWEEN(0, CTL_DELAYED_BYTES);
        for (uint8_t n = 0; n < CTL_DELAYED_BYTES; n++) {
            ctl.delayed[i].message.bytes[n] = ANY8;
        }
    }
#endif
#if CTL_HAS_MIDI_IN
    for (uint8_t port = 0; port < 2; port++) {
        ctl.parsers[port].status = ANY8;
        ctl.parsers[port].count = (uint8_t)BETWEEN(0, CTL_PARSER_BYTES);
        for (uint8_t i = 0; i < CTL_PARSER_BYTES; i++) {
            ctl.parsers[port].bytes[i] = ANY8;
        }
    }
#endif
#if CTL_ECHO_US
    ctl.sent_next = (uint8_t)BETWEEN(0, CTL_MOST_ECHOES - 1);
    for (uint8_t i = 0; i < CTL_MOST_ECHOES; i++) {
        ctl.sent[i].at_us = ANY32;
        ctl.sent[i].ports = (uint8_t)BETWEEN(0, 3);
        ctl.sent[i].count = (uint8_t)BETWEEN(0, CTL_ECHO_BYTES);
        for (uint8_t n = 0; n < CTL_ECHO_BYTES; n++) {
            ctl.sent[i].bytes[n] = ANY8;
        }
    }
#endif
#if CTL_PAIRS
    ctl.heard_pair = ANY_BOOL;
    ctl.pair[0] = (int16_t)BETWEEN(0, 127);
    ctl.pair[1] = (int16_t)BETWEEN(0, 16383);
    for (uint8_t i = 0; i < CTL_PAIRS; i++) {
        ctl.uppers[i][0] = ANY8;
        ctl.uppers[i][1] = ANY8;
    }
#endif
}

static void take_any_values(void)
{
    ctl.changes = ANY8;
    ctl.contacts = ANY_SWITCHES;
    ctl.level = ANY_SWITCHES;
    ctl.postponed = ANY_SWITCHES;
#if CTL_LEDS
    for (uint8_t i = 0; i < CTL_LEDS; i++) {
        ctl.leds[i] = ANY8;
    }
#endif
#if CTL_TEXT_BYTES
    for (uint8_t i = 0; i <= CTL_TEXT_BYTES; i++) {
        ctl.shown[i] = (char)BETWEEN(CHAR_MIN, CHAR_MAX);
#if CTL_HAS_NOTICES
        ctl.notice[i] = (char)BETWEEN(CHAR_MIN, CHAR_MAX);
#endif
    }
#endif
#if CTL_HAS_CONDITIONS
    ctl.group_conditions = (ctl_conditions_t)ANY32;
    for (uint8_t i = 0; i < CTL_KEYS; i++) {
        ctl.keys[i].conditions = (ctl_conditions_t)ANY32;
    }
#endif
#if CTL_HAS_CHORDS
    ctl.group = ANY_SWITCHES;
    ctl.group_held = ANY_SWITCHES;
    ctl.group_size = (uint8_t)BETWEEN(0, CTL_SWITCHES);
    for (uint8_t i = 0; i < CTL_SWITCHES; i++) {
        ctl.group_order[i] = (uint8_t)BETWEEN(0, CTL_SWITCHES - 1);
        ctl.owner[i] = ANY_BOOL ? CTL_NOBODY : (uint8_t)BETWEEN(0, CTL_KEYS - 1);
    }
#endif
#if CTL_HOLD_KEYS
    for (uint8_t i = 0; i < CTL_HOLD_KEYS; i++) {
        ctl.awaited_hold[i] = (ctl_choice_t)BETWEEN(0, sizeof ctl_holds / sizeof *ctl_holds - 1u);
    }
#endif
#if CTL_REPEAT_KEYS
    for (uint8_t i = 0; i < CTL_REPEAT_KEYS; i++) {
        ctl.repeats[i] = (uint16_t)BETWEEN(0, CTL_LAST_REPEAT);
    }
#endif
}

int main(void)
{
    ctl_power_on();
    take_any_times();
    take_any_values();
    take_any_messages();
    take_any_kept();
    take_any_others();
    for (;;) {
        //@ split ctl.mode;
        ctl_poll();
    }
}
#endif
