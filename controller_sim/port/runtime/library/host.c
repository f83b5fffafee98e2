/* The firmware as a library: the hardware is two columns of instants and contacts, and a growing list of what comes out.
 *
 * Inside, time has 32 bits and wraps as on a chip; here it has 64. An output is a pair of numbers, a time and an item; what an
 * item says is in controller_sim/design/outputs.py. A text, and a message of more than six bytes, is -1 - 2 * bytes (a text) or
 * -2 - 2 * bytes (a message, its ports in the first byte; if that is 4, a response in two bytes and its values), and then the
 * bytes, eight to a number, the first lowest.
 */
#include <stdlib.h>
#include <string.h>

#include "state.h"

#if defined(_WIN32)
#define EXPORT __declspec(dllexport)
#else
#define EXPORT __attribute__((visibility("default")))
#endif

/* Polls are never further apart than this. */
#define STEP_US 134217728u

static struct {
    int64_t now_us;
    int64_t poll_us; /* not later than this comes a poll, whatever is asked for */
    bool trace;
} host;

static int64_t *out;
static size_t out_count, out_room;
static bool out_failed;

static int64_t time_now(void)
{
    int64_t after_us = (int64_t)(uint32_t)(ctl.now_us - (uint32_t)host.now_us);
    return host.now_us + after_us;
}

static bool make_room(size_t count)
{
    if (out_count + count > out_room) {
        size_t room = out_room ? out_room * 2 : 4096;
        while (room < out_count + count) {
            room *= 2;
        }
        int64_t *moved = realloc(out, room * sizeof *out);
        if (!moved) {
            out_failed = true;
            return false;
        }
        out = moved;
        out_room = room;
    }
    return true;
}

static void put_out(int64_t item)
{
    if (make_room(2)) {
        out[out_count++] = time_now();
        out[out_count++] = item;
    }
}

static void put_out_bytes(int64_t item, const void *first, size_t first_count, const void *bytes, size_t count)
{
    size_t numbers = (first_count + count + 7) / 8;
    if (make_room(2 + numbers)) {
        put_out(item);
        memset(out + out_count, 0, numbers * sizeof *out);
        memcpy(out + out_count, first, first_count);
        memcpy((uint8_t *)(out + out_count) + first_count, bytes, count);
        out_count += numbers;
    }
}

void hw_send(uint8_t ports, const uint8_t *bytes, uint8_t count)
{
    if (count > 6) {
        put_out_bytes(-2 - 2 * (int64_t)(count + 1), &ports, 1, bytes, count);
        return;
    }
    int64_t item = 1;
    for (uint8_t i = count; i; i--) {
        item = item << 8 | bytes[i - 1];
    }
    put_out((item << 2 | ports) << 3);
}

#if CTL_LEDS
void hw_set_led(uint8_t led, uint8_t value)
{
    put_out(((int64_t)led << 8 | value) << 3 | 4);
}
#endif

#if CTL_TEXT_BYTES
void hw_show(const char *text)
{
    size_t count = strlen(text);
    put_out_bytes(-1 - 2 * (int64_t)count, "", 0, text, count);
}
#endif

void hw_happened(uint8_t kind, uint16_t what)
{
    if (kind != CTL_EDGE || host.trace) {
        put_out((int64_t)what << 3 | kind);
    }
}

/* How many values of 14 bits fit a number beside the response, its kind and a mark. */
#define PACKED_VALUES 3

void hw_answered(uint16_t response, const int16_t *values, uint8_t count)
{
    int64_t item = 1;
    if (count > PACKED_VALUES) {
        uint8_t bytes[3 + UINT8_MAX] = {4, (uint8_t)(response & 0xFFu), (uint8_t)(response >> 8)};
        for (uint8_t i = 0; i < count; i++) {
            bytes[3 + i] = (uint8_t)values[i];
        }
        put_out_bytes(-2 - 2 * (int64_t)(count + 3), bytes, 3, bytes + 3, count);
        return;
    }
    for (uint8_t i = count; i; i--) {
        item = item << 14 | values[i - 1];
    }
    put_out((item << 10 | response) << 3 | CTL_RESPONDED);
}

#if CTL_HAS_STORAGE
/* The chip: what it holds, and what was written to it, address * 256 + byte each. */
static uint8_t chip[CTL_STORAGE_BYTES];
static int32_t *writes;
static size_t write_count, write_room;

uint8_t hw_stored(uint16_t address)
{
    return chip[address];
}

void hw_store(uint16_t address, uint8_t byte)
{
    if (write_count == write_room) {
        size_t room = write_room ? 2 * write_room : 1024;
        int32_t *moved = realloc(writes, room * sizeof *writes);
        if (!moved) {
            out_failed = true;
            return;
        }
        writes = moved;
        write_room = room;
    }
    writes[write_count++] = (int32_t)address * 256 + byte;
    chip[address] = byte;
}

bool hw_store_is_busy(void)
{
    return false;
}
#endif

#if CTL_HAS_CELLS
#define CELLS_SIZE sizeof cells
#else
#define CELLS_SIZE 0
#endif

/* Begin at `now_us`; `kept` are the kept cells from before, or null. */
EXPORT void host_start(int64_t now_us, bool trace, const int32_t *kept)
{
    host.now_us = now_us;
    host.poll_us = now_us + STEP_US;
    host.trace = trace;
    memset(&ctl, 0, sizeof ctl);
#if CTL_HAS_CELLS
    ctl_take_first_values();
#endif
    ctl_start((uint32_t)now_us);
    if (kept) {
        host_set_kept(kept);
    }
}

static void advance(int64_t now_us, ctl_switches_t contacts)
{
    /* Then polls come in between, as on a chip. */
    while (now_us > host.poll_us) {
        ctl_advance((uint32_t)host.poll_us, ctl.contacts);
        ctl_look();
        host.now_us = host.poll_us;
        host.poll_us += STEP_US;
#if CTL_AGES
        ctl_age();
#endif
    }
    ctl_advance((uint32_t)now_us, contacts);
    host.now_us = now_us;
}

/* Advance through `count` instants, rising, with the contacts seen at each. False when memory has run out. */
EXPORT bool host_play(const int64_t *times_us, const int64_t *words, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        advance(times_us[i], (ctl_switches_t)words[i]);
        ctl_look();
    }
    return !out_failed;
}

/* Advance to an instant at which something arrives besides: bytes << 2 | port, or reading << 6 | pedal << 2. */
EXPORT bool host_arrive(int64_t now_us, int64_t word, const int64_t *events, size_t count)
{
    advance(now_us, (ctl_switches_t)word);
    for (size_t i = 0; i < count; i++) {
        int64_t event = events[i];
        if (event & 3) {
#if CTL_HAS_MIDI_IN
            ctl_receive((uint8_t)(event & 3), (uint8_t)(event >> 2));
#endif
        } else {
#if CTL_PEDALS
            ctl_read_pedal((uint8_t)(event >> 2 & 15), (uint16_t)(event >> 6));
#endif
        }
    }
    ctl_look();
    return !out_failed;
}

EXPORT void host_positions(int32_t *values)
{
#if CTL_PEDALS
    for (uint8_t p = 0; p < CTL_PEDALS; p++) {
        values[p] = ctl.pedals[p].position;
    }
#else
    (void)values;
#endif
}

EXPORT const int64_t *host_outputs(void)
{
    return out;
}

/* How many numbers there are, which are taken with this. */
EXPORT size_t host_take(void)
{
    size_t count = out_count;
    out_count = 0;
    return count;
}

/* The next instant at which something may happen by itself, or -1. */
EXPORT int64_t host_next_deadline_us(void)
{
    int64_t next_us = -1;
    for (uint8_t slot = 0; slot < CTL_SLOTS; slot++) {
        if (ctl.deadlines[slot].state & CTL_ARMED) {
            int64_t due_us = host.now_us + (int64_t)(uint32_t)(ctl.deadlines[slot].due_us - (uint32_t)host.now_us);
            next_us = next_us < 0 || due_us < next_us ? due_us : next_us;
        }
    }
    for (uint8_t s = 0; s < CTL_SWITCHES; s++) {
        if (ctl.contact_waits[s].state & CTL_ARMED) {
            int64_t due_us = host.now_us + (int64_t)(uint32_t)(ctl.contact_waits[s].due_us - (uint32_t)host.now_us);
            next_us = next_us < 0 || due_us < next_us ? due_us : next_us;
        }
    }
    return next_us;
}

/* mode (-1 before the first), tempo, whether the clock runs, whether a notice covers the display, the switches that are down. */
EXPORT void host_facts(int32_t facts[5])
{
    facts[0] = ctl.mode == CTL_NO_MODE ? -1 : (int32_t)ctl.mode;
    facts[1] = 0;
    facts[2] = 0;
    facts[3] = 0;
    facts[4] = (int32_t)ctl.level;
#if CTL_HAS_TEMPO
    facts[1] = ctl.tempo;
#endif
#if CTL_HAS_CLOCK
    facts[2] = ctl.clock_running;
#endif
#if CTL_HAS_NOTICES
    facts[3] = ctl.noticing;
#endif
}

EXPORT void host_cells(int32_t *values)
{
    host_list_cells(values);
}

/* List cells, drafted ones as they were before the draft. */
static void list_saved(void (*list)(int32_t *), int32_t *values)
{
#if CTL_DRAFT_BYTES
    struct ctl_cells now = cells;
    bool dirty = ctl.dirty;
    ctl_cancel_draft();
    list(values);
    cells = now;
    ctl.dirty = dirty;
#else
    list(values);
#endif
}

EXPORT void host_saved(int32_t *values)
{
    list_saved(host_list_cells, values);
}

/* What would survive power-off now. */
EXPORT void host_kept(int32_t *values)
{
    list_saved(host_list_kept, values);
}

EXPORT void host_leds(uint8_t *values)
{
#if CTL_LEDS
    memcpy(values, ctl.leds, CTL_LEDS);
#else
    (void)values;
#endif
}

EXPORT const char *host_display(void)
{
#if CTL_TEXT_BYTES
    return ctl.shown;
#else
    return "";
#endif
}

/* The whole state, to be put back later: several controllers may share the library, one at a time. */
EXPORT size_t host_state_size(void)
{
    return sizeof host + sizeof ctl + CELLS_SIZE;
}

EXPORT void host_save(uint8_t *state)
{
    memcpy(state, &host, sizeof host);
    memcpy(state + sizeof host, &ctl, sizeof ctl);
#if CTL_HAS_CELLS
    memcpy(state + sizeof host + sizeof ctl, &cells, sizeof cells);
#endif
}

EXPORT void host_load(const uint8_t *state)
{
    memcpy(&host, state, sizeof host);
    memcpy(&ctl, state + sizeof host, sizeof ctl);
#if CTL_HAS_CELLS
    memcpy(&cells, state + sizeof host + sizeof ctl, sizeof cells);
#endif
}

#if CTL_HAS_STORAGE
/* Power on with this in the chip; false when it is refused. The kept cells are then those of the chip. */
EXPORT bool host_store_power_on(const uint8_t *image)
{
    memcpy(chip, image, sizeof chip);
    memset(&ctl, 0, sizeof ctl);
    ctl_take_first_values();
    return ctl_store_power_on();
}

/* Set the kept cells and save them to the end. */
EXPORT void host_store_save(const int32_t *kept)
{
    host_set_kept(kept);
    CTL_KEPT_CHANGED();
    while (ctl_store_step()) {
    }
}

/* Set the kept cells, and take so many steps of saving them. */
EXPORT void host_store_begin(const int32_t *kept, size_t steps)
{
    host_set_kept(kept);
    CTL_KEPT_CHANGED();
    while (steps && ctl_store_step()) {
        steps--;
    }
}

EXPORT const uint8_t *host_store_chip(void)
{
    return chip;
}

EXPORT const int32_t *host_store_writes(void)
{
    return writes;
}

/* How many writes there are, which are taken with this. */
EXPORT size_t host_store_take(void)
{
    size_t count = write_count;
    write_count = 0;
    return count;
}
#endif
