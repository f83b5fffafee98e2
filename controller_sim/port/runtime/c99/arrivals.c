/* What arrives besides contacts: pedal readings and MIDI bytes, each handled at its instant after the edges. */
#include "state.h"

#if CTL_PEDALS
/* Before its first reading a pedal stands at the heel. */
void ctl_start_pedals(void)
{
    for (uint8_t p = 0; p < CTL_PEDALS; p++) {
        ctl.pedals[p].position = ctl_points[ctl_pedals[p].first_point];
    }
}
#endif

#if CTL_RESPONSES
/* Run a response; the values are those of a message, `count` of them. */
static void respond(uint16_t response, const int16_t values[], uint8_t count)
{
    CTL_ANSWERED(response, values, count);
#if CTL_HAS_TAP_TEMPO
    ctl.gesture_us = ctl.now_us;
#endif
    ctl_run_response(response, values);
    ctl_follow();
}
#endif

#if CTL_PEDALS
#if CTL_MOVES
/* The first that is bound now of what a pedal's move does. */
static void respond_to_move(uint8_t p)
{
    const CTL_FLASH struct ctl_part *part = &ctl_mode_moves[ctl.mode];
#if CTL_HAS_CONDITIONS
    ctl_conditions_t holds = ctl_read_conditions();
#endif
    for (ctl_part_t i = 0; i < part->count; i++) { /* at most CTL_MOVES rounds */
        const CTL_FLASH struct ctl_move *move = &ctl_moves[part->first + i];
        if (move->pedal != p) {
            continue;
        }
#if CTL_HAS_CONDITIONS
        if (move->condition && !(move->condition & holds)) {
            continue;
        }
#endif
        respond(move->response, NULL, 0);
        return;
    }
}
#endif

static bool has_news(uint8_t p)
{
    const struct ctl_pedal *pedal = &ctl.pedals[p];
    return pedal->is_read && (!pedal->has_moved || pedal->position != pedal->told);
}

static void move_pedal(uint8_t p)
{
    ctl.pedals[p].told = ctl.pedals[p].position;
    ctl.pedals[p].has_moved = true;
    ctl_arm((uint8_t)(CTL_PEDAL_SLOT + p), ctl.now_us + ctl_pedals[p].every_us);
#if CTL_MOVES
    respond_to_move(p);
#endif
}

/* A pedal may move again; what it did meanwhile is not lost. */
void ctl_pedal_rested(uint8_t p)
{
    if (has_news(p)) {
        move_pedal(p);
    }
}

/* What a pedal's curve gives after `way` of the `whole`, rounded half up. */
static int16_t interpolated(const CTL_FLASH struct ctl_pedal_setting *setting, uint16_t way, uint16_t whole)
{
    const CTL_FLASH int16_t *points = &ctl_points[setting->first_point];
    uint32_t steps = (uint32_t)way * setting->steps;
    uint8_t place = (uint8_t)(steps / whole);
    int32_t rest = (int32_t)(steps % whole);
    int16_t value = points[place];
    //@ split place;
    if (place < setting->steps) {
        int32_t rise = (int32_t)points[place + 1] - value;
        value = (int16_t)(value + ctl_div32(2 * rise * rest + whole, 2 * (int32_t)whole));
    }
    //@ merge place;
    return value;
}

/* A raw reading. Where a pedal stands at its first one is no news, nor is it before the first mode, unless it moves first. */
void ctl_read_pedal(uint8_t p, uint16_t raw)
{
    const CTL_FLASH struct ctl_pedal_setting *setting = &ctl_pedals[p];
    struct ctl_pedal *pedal = &ctl.pedals[p];
    uint16_t low = setting->heel < setting->toe ? setting->heel : setting->toe;
    uint16_t high = setting->heel < setting->toe ? setting->toe : setting->heel;
    uint16_t value = raw < low ? low : raw > high ? high : raw;
    uint16_t off = value > pedal->held ? (uint16_t)(value - pedal->held) : (uint16_t)(pedal->held - value);
    if (!pedal->is_read || value == low || value == high || off > setting->hysteresis) {
        int16_t before = pedal->position;
        uint16_t way = value > setting->heel ? (uint16_t)(value - setting->heel) : (uint16_t)(setting->heel - value);
        pedal->position = interpolated(setting, way, (uint16_t)(high - low));
        pedal->held = value;
        if (!setting->moves_first && (ctl.mode == CTL_NO_MODE || !pedal->is_read)) {
            pedal->told = pedal->position;
            pedal->has_moved = true;
        }
        pedal->is_read = true;
        if (pedal->position != before) {
            ctl.dirty = true;
        }
    }
    if (ctl.mode != CTL_NO_MODE && has_news(p) && !ctl.deadlines[CTL_PEDAL_SLOT + p].state) {
        move_pedal(p);
    }
}
#endif

#if CTL_HAS_MIDI_IN
enum { NOTE_OFF = 0x80, NOTE_ON = 0x90, SYSEX = 0xF0, END_OF_SYSEX = 0xF7, CLOCK = 0xF8, START = 0xFA, CONTINUE = 0xFB };

#define RELEASE_VELOCITY 64
#define LONGEST_SYSEX 128u
#define LOWER_HALF 32u /* from the number of a controller to that of its lower seven bits (MIDI 1.0, p. 12) */

#if CTL_PAIRS
enum { CONTROL_CHANGE = 0xB0 };

/* What a half of a pair of controllers makes with the other half: the number of the upper and the value. A lower half without
 * an upper one makes nothing (false). */
static bool pair_up(uint8_t port, uint8_t status, uint8_t number, uint8_t value, int16_t made[2])
{
    for (uint8_t i = 0; i < CTL_PAIRS; i++) {
        const CTL_FLASH struct ctl_pair *pair = &ctl_pairs[i];
        if (pair->status == status && pair->number == number) {
            ctl.uppers[i][port - 1] = (uint8_t)(value + 1u);
            made[0] = number;
            made[1] = (int16_t)(value << 7);
            return true;
        }
    }
    for (uint8_t i = 0; i < CTL_PAIRS; i++) {
        const CTL_FLASH struct ctl_pair *pair = &ctl_pairs[i];
        uint8_t upper = ctl.uppers[i][port - 1];
        if (pair->status == status && pair->number + LOWER_HALF == number && upper) {
            made[0] = pair->number;
            made[1] = (int16_t)((upper - 1) << 7 | value);
            return true;
        }
    }
    return false;
}
#endif

#if CTL_HEARD
/* Whether there are as many values as ranges or more, each in its range. */
static bool fits(const CTL_FLASH struct ctl_heard *heard, const int16_t values[], uint8_t count)
{
    if (count < heard->values) {
        return false;
    }
    for (uint8_t i = 0; i < heard->values; i++) { /* at most CTL_HEARD_VALUES rounds */
        const CTL_FLASH struct ctl_value_range *range = &ctl_value_ranges[heard->first_range + i];
        if (values[i] < range->low || values[i] > range->high) {
            return false;
        }
    }
    return true;
}

static void hear(uint8_t port, const uint8_t *bytes, uint8_t length)
{
    const CTL_FLASH struct ctl_part *part = &ctl_mode_heard[ctl.mode];
    int16_t values[CTL_HEARD_VALUES] = {0}, pair[2] = {0, 0};
    uint8_t status = bytes[0], count = 2;
    for (uint8_t i = 1; i < length && i <= CTL_HEARD_VALUES; i++) { /* at most CTL_HEARD_VALUES rounds */
        values[i - 1] = bytes[i] & 0x7F;
    }
    if (status == SYSEX) {
        count = (uint8_t)(length - 2 < CTL_HEARD_VALUES ? length - 2 : CTL_HEARD_VALUES);
    } else if ((status & 0xF0u) == NOTE_ON && values[1] == 0) {
        status = (uint8_t)(status - 0x10u);
        values[1] = RELEASE_VELOCITY;
    }
    bool is_pair = false;
#if CTL_PAIRS
    is_pair = ctl.heard_pair;
    pair[0] = ctl.pair[0];
    pair[1] = ctl.pair[1];
#endif
    for (ctl_part_t i = 0; i < part->count; i++) { /* at most CTL_HEARD rounds */
        const CTL_FLASH struct ctl_heard *heard = &ctl_heard[part->first + i];
        const int16_t *meant = heard->is_pair ? pair : values;
        if (heard->status != status || !(heard->ports & port) || (heard->is_pair && !is_pair) ||
            !fits(heard, meant, heard->is_pair ? 2 : count)) {
            continue;
        }
#if CTL_HAS_CONDITIONS
        if (heard->condition && !(heard->condition & ctl_read_conditions())) {
            continue;
        }
#endif
        respond(heard->response, meant, heard->values);
        return;
    }
}
#endif

static void pass_on(uint8_t port, const uint8_t *bytes, uint8_t count)
{
#if CTL_THRU
    uint8_t kind = (uint8_t)(bytes[0] < SYSEX ? bytes[0] >> 4 & 7 : bytes[0] - 0xE9);
    for (uint8_t i = 0; i < CTL_THRU; i++) {
        const CTL_FLASH struct ctl_thru *thru = &ctl_thru[i];
        if (thru->source == port && thru->kinds >> kind & 1u) { /* at most 22 rounds */
            ctl_send_bytes(thru->ports, bytes, count);
        }
    }
#else
    (void)port;
    (void)bytes;
    (void)count;
#endif
}

/* A message that is whole. */
static void received(uint8_t port, const uint8_t *bytes, uint8_t count)
{
#if CTL_ECHO_US
    if (ctl_is_echo(port, bytes, count)) {
        return;
    }
#endif
    pass_on(port, bytes, count);
#if CTL_PAIRS
    ctl.heard_pair = (bytes[0] & 0xF0u) == CONTROL_CHANGE && count > 2 && pair_up(port, bytes[0], bytes[1], bytes[2], ctl.pair);
#endif
#if CTL_FOLLOW
    if (port == CTL_FOLLOW) {
        if (bytes[0] == CLOCK) {
            ctl_hear_tick();
        } else if (bytes[0] == START || bytes[0] == CONTINUE) {
            ctl.heard_tick = false;
        }
    }
#endif
#if CTL_HEARD
    if (ctl.mode != CTL_NO_MODE) {
        hear(port, bytes, count);
    }
#endif
}

static void add(struct ctl_parser *in, uint8_t byte)
{
    if (in->count < CTL_PARSER_BYTES) {
        in->bytes[in->count++] = byte;
    }
}

static void finish(struct ctl_parser *in, uint8_t port)
{
    uint8_t count = in->count;
    in->count = 0;
    if (in->status >= SYSEX) {
        in->status = 0;
    }
    received(port, in->bytes, count); /* at most CTL_PARSER_BYTES rounds */
}

static uint8_t data_bytes(uint8_t status)
{
    if (status < SYSEX) {
        return status >= 0xC0 && status < 0xE0 ? 1 : 2;
    }
    return status == 0xF2 ? 2 : 1;
}

static void data(struct ctl_parser *in, uint8_t port, uint8_t byte)
{
    if (!in->status) {
        return;
    }
    if (!in->count) {
        add(in, in->status);
    }
    add(in, byte);
    if (in->status != SYSEX) {
        if (in->count > data_bytes(in->status)) {
            finish(in, port);
        }
    } else if (in->count == LONGEST_SYSEX) {
        in->status = 0;
        in->count = 0;
    }
}

/* A byte that came in at a port (MIDI 1.0 Detailed Specification 4.2.1, p. 5 and ). */
void ctl_receive(uint8_t port, uint8_t byte)
{
    struct ctl_parser *in = &ctl.parsers[port - 1];
    if (byte >= CLOCK) {
        if (byte != 0xF9 && byte != 0xFD) {
            received(port, &byte, 1);
        }
    } else if (byte < 0x80) {
        data(in, port, byte);
    } else if (byte == END_OF_SYSEX && in->status == SYSEX) {
        add(in, byte);
        if (CTL_PARSER_BYTES == LONGEST_SYSEX) {
            finish(in, port);
        } else {
            in->status = 0;
            in->count = 0;
        }
    } else {
        in->count = 0;
        in->status = byte == 0xF4 || byte == 0xF5 || byte == END_OF_SYSEX ? 0 : byte;
        if (in->status) {
            add(in, byte);
        }
        if (byte == 0xF6) {
            finish(in, port);
        }
    }
}
#endif
