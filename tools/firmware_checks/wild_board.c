/* A board whose feet, pedals, MIDI and power do what bytes say, and whose hardware looks at everything that it is asked for.
 *
 * Two bits of a byte say what happens, the other six with what. Bytes that have run out are zeros: the end of a session.
 * What is wrong ends the program, with a word on stderr. The whole firmware is in this translation unit.
 */
#define CTL_HOST
#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "deadlines.c"
#include "contacts.c"
#include "chords.c"
#include "recogniser.c"
#include "modes.c"
#include "show.c"
#include "messages.c"
#include "tempo.c"
#include "arrivals.c"
#include "image.c"
#include "storage.c"
#include "recovery.c"
#include "poll.c"
#include "design.c"

#include "wild_design.h"

#define COUNT_OF(table) (sizeof(table) / sizeof *(table))
#define STORE_US 3300u /* a byte of the ATmega328P's EEPROM takes so long (its data sheet, EEPROM write time) */

enum { TOGGLE, TOGGLE_ALONE, WAIT, ARRIVE_OR_POWER };

/* All that a session does goes into this. */
static uint64_t digest;
static uint64_t edges, polls, messages, power_ons, cuts;

static struct {
    const uint8_t *next, *end;
} moves;

static struct {
    uint32_t now_us;
    ctl_switches_t closed;
    int32_t nudge_us;
    uint16_t readings[CTL_PEDALS + 1];
    uint8_t received[2][512];
    size_t first[2], count[2];
    bool dense;
    bool has_looked, has_shown, has_sent; /* in this poll */
} wild;

static void fail(const char *what)
{
    fprintf(stderr, "wild board: %s (poll %llu, power-on %llu)\n", what, (unsigned long long)polls, (unsigned long long)power_ons);
    abort();
}

static void demand(bool so, const char *what)
{
    if (!so) {
        fail(what);
    }
}

static void count_in(const void *bytes, size_t count)
{
    const uint8_t *each = bytes;
    for (size_t i = 0; i < count; i++) {
        digest = (digest ^ each[i]) * 1099511628211u;
    }
}

/* An output with the time of the poll that made it. */
static void put_out(uint8_t kind, const void *bytes, size_t count)
{
    count_in(&wild.now_us, sizeof wild.now_us);
    count_in(&kind, 1);
    count_in(bytes, count);
}

uint32_t hw_now_us(void)
{
    return wild.now_us;
}

ctl_switches_t hw_closed_contacts(void)
{
    wild.has_looked = true;
    return wild.closed;
}

/* MIDI 1.0 Detailed Specification 4.2.1, tables I to VI: a status byte and as many data bytes as it has. */
static size_t length_of(uint8_t status)
{
    static const uint8_t of_channel[] = {3, 3, 3, 3, 2, 2, 3}, of_system[] = {0, 2, 3, 2, 0, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1};
    return status < 0xF0 ? of_channel[(status >> 4) - 8] : of_system[status & 15];
}

void hw_send(uint8_t ports, const uint8_t *bytes, uint8_t count)
{
    demand(ports && ports <= (CTL_SERIAL | CTL_USB), "a message goes to no port, or to one that there is not");
    demand(count && bytes[0] >= 0x80, "a message has no status byte");
    for (uint8_t i = 1; i < count; i++) {
        demand(bytes[i] < 0x80 || (bytes[0] == 0xF0 && i == count - 1 && bytes[i] == 0xF7), "a data byte has its highest bit set");
    }
    demand(bytes[0] == 0xF0 ? count > 1 && bytes[count - 1] == 0xF7 : count == length_of(bytes[0]),
           "a message has another length than its status byte says");
    messages++;
    wild.has_sent = true;
    if (ports & CTL_SERIAL) {
        put_out(3, (const uint8_t[]){ctl_status_is_running(bytes[0])}, 1);
    }
    put_out(ports, bytes, count);
}

#if CTL_LEDS
void hw_set_led(uint8_t led, uint8_t value)
{
    demand(led < CTL_LEDS, "there is no such LED");
    wild.has_shown = true;
    put_out(4, (const uint8_t[]){led, value}, 2);
}
#endif

#if CTL_TEXT_BYTES
void hw_show(const char *text)
{
    size_t lines = 1, count = 0;
    wild.has_shown = true;
    for (; text[count]; count++) {
        lines += text[count] == '\n';
    }
    demand(count <= CTL_TEXT_BYTES, "a text is longer than it was said that one can be");
    demand(lines <= CTL_DISPLAY_LINES, "a text has more lines than the display");
    put_out(5, text, count);
}
#endif

#if CTL_PEDALS
uint16_t hw_read_pedal(uint8_t pedal)
{
    demand(pedal < CTL_PEDALS, "there is no such pedal");
    return wild.readings[pedal];
}
#endif

#if CTL_HAS_MIDI_IN
int16_t hw_receive(uint8_t port)
{
    demand(port == CTL_SERIAL || port == CTL_USB, "there is no such port");
    size_t p = port - 1u;
    return wild.first[p] < wild.count[p] ? wild.received[p][wild.first[p]++] : -1;
}
#endif

static void receive(uint8_t port, const uint8_t *bytes, size_t count)
{
    size_t p = port - 1u;
    if (wild.first[p] == wild.count[p]) {
        wild.first[p] = wild.count[p] = 0;
    }
    for (size_t i = 0; i < count && wild.count[p] < sizeof wild.received[p]; i++) {
        wild.received[p][wild.count[p]++] = bytes[i];
    }
}

static uint8_t next_byte(void)
{
    return moves.next < moves.end ? *moves.next++ : 0;
}

#if CTL_HAS_STORAGE
static jmp_buf no_power;
static struct {
    uint8_t bytes[CTL_STORAGE_BYTES];
    uint16_t address; /* the byte that is being written, while it is busy */
    uint8_t before;
    uint32_t busy_until_us;
    bool is_busy;
    uint16_t writes_left; /* 0: power does not fail at power-on */
    uint8_t torn;
} chip;

/* What is written, address << 8 | byte each, where somebody wants to know. */
static uint32_t *written;
static size_t written_count, written_room;

static void tear(uint8_t torn)
{
    if (chip.is_busy) {
        chip.bytes[chip.address] = torn;
        chip.is_busy = false;
        cuts++;
    }
}

bool hw_store_is_busy(void)
{
    wild.now_us += 64;
    if (chip.is_busy && !ctl_before(wild.now_us, chip.busy_until_us)) {
        chip.is_busy = false;
    }
    return chip.is_busy;
}

uint8_t hw_stored(uint16_t address)
{
    demand(address < CTL_STORAGE_BYTES, "what is read lies beyond the storage");
    demand(!chip.is_busy, "the storage is read while a byte is being written");
    return chip.bytes[address];
}

void hw_store(uint16_t address, uint8_t byte)
{
    demand(address < CTL_STORAGE_BYTES, "what is written lies beyond the storage");
    demand(!chip.is_busy, "a byte is written before the last one is done");
    demand(chip.bytes[address] != byte, "a byte is written that is there already: a chip bears only so many writes");
    if (written_count < written_room) {
        written[written_count++] = (uint32_t)address << 8 | byte;
    }
    put_out(6, (const uint8_t[]){(uint8_t)(address >> 8), (uint8_t)address, byte}, 3);
    chip.before = chip.bytes[address];
    chip.bytes[address] = byte;
    chip.address = address;
    chip.busy_until_us = wild.now_us + STORE_US;
    chip.is_busy = true;
    if (chip.writes_left && !--chip.writes_left) {
        tear(chip.torn);
        longjmp(no_power, 1);
    }
}
#endif

/* Every cell is inside the range that the design gives it. */
static void look_at_cells(void)
{
#if WILD_CELLS
#if CTL_HAS_CELLS
    static struct ctl_cells seen;
    if (!memcmp(&seen, &cells, sizeof cells)) {
        return;
    }
    memcpy(&seen, &cells, sizeof cells);
#endif
    int32_t values[WILD_CELLS];
    host_list_cells(values);
    for (size_t i = 0; i < WILD_CELLS; i++) {
        demand(values[i] >= wild_ranges[i].low && values[i] <= wild_ranges[i].high, "a cell is outside its range");
    }
#endif
}

/* What state.h says of the state is so after every poll: no index is beyond its table. */
static void look_at_state(void)
{
    demand(ctl.mode == CTL_NO_MODE || ctl.mode < CTL_MODES, "there is no such mode");
    demand(ctl.next_mode == CTL_NO_MODE, "a mode is still to be entered");
#if CTL_HAS_CHORDS
    demand(ctl.group_size <= CTL_SWITCHES, "more switches are in a group than there are");
    for (uint8_t s = 0; s < CTL_SWITCHES; s++) {
        demand(ctl.owner[s] == CTL_NOBODY || ctl.owner[s] < CTL_KEYS, "a switch is part of a key that there is not");
    }
#endif
#if CTL_HAS_DELAYED
    demand(ctl.delayed_count <= CTL_DELAYED_MESSAGES, "more messages wait than the queue holds");
#endif
#if CTL_HAS_TAP_TEMPO
    demand(ctl.tap_count <= CTL_TAP_INTERVALS, "more intervals are remembered than there is room for");
#endif
#if CTL_HAS_MIDI_IN
    for (size_t p = 0; p < COUNT_OF(ctl.parsers); p++) {
        demand(ctl.parsers[p].count <= CTL_PARSER_BYTES, "more bytes of a message are there than there is room for");
    }
#endif
#if CTL_ECHO_US
    demand(ctl.sent_next < CTL_MOST_ECHOES, "an echo is remembered where there is no room");
#endif
#if CTL_HAS_STORAGE
    demand(ctl.stored.column <= CTL_ROW_BYTES && ctl.stored.count <= CTL_ROWS_AT_ONCE, "a save is beyond its row or its entry");
    demand(ctl.stored.tail < CTL_STORAGE_BYTES, "the journal ends beyond the storage");
#endif
}

/* A poll does one thing. A restart pays what is owed and darkens all at once. */
static void poll_once(void)
{
    ctl_switches_t before = ctl.level;
    bool settles = ctl.mode == CTL_NO_MODE;
    wild.has_looked = wild.has_shown = wild.has_sent = false;
    polls++;
    ctl_poll();
    bool restarts = !settles && ctl.mode == CTL_NO_MODE;
    ctl_switches_t turned = before ^ ctl.level;
    demand(settles || restarts || !(turned & (ctl_switches_t)(turned - 1u)), "a poll takes the edges of two switches");
    demand(!wild.has_shown || !(wild.has_looked || wild.has_sent || turned) || restarts, "a poll both acts and shows what has come of it");
    for (; turned; turned &= (ctl_switches_t)(turned - 1u)) {
        edges++;
    }
    look_at_cells();
    look_at_state();
}

static bool is_heard(void)
{
    return wild.first[0] == wild.count[0] && wild.first[1] == wild.count[1];
}

/* As many polls as it takes until nothing is due and all that came in is taken. */
static void poll(void)
{
    do {
        poll_once();
    } while (!wild.has_looked || (CTL_HAS_MIDI_IN && !is_heard()));
}

static void pass(uint32_t time_us)
{
    uint32_t all_us = time_us + (uint32_t)wild.nudge_us;
    uint32_t steps = wild.dense ? 5 : 1;
    wild.nudge_us = 0;
    if (all_us > WILD_LONGEST_US) {
        all_us = time_us;
    }
    for (uint32_t step = 1; step <= steps; step++) {
        wild.now_us += all_us * step / steps - all_us * (step - 1) / steps;
        poll();
    }
}

/* From here on the contacts are as they are, and what was in RAM is gone. */
static void power_on(void)
{
    power_ons++;
    memset(&ctl, 0, sizeof ctl);
#if CTL_HAS_CELLS
    memset(&cells, 0, sizeof cells);
#endif
    wild.first[0] = wild.count[0] = wild.first[1] = wild.count[1] = 0;
#if CTL_HAS_STORAGE
    chip.is_busy = false;
#endif
    ctl_power_on();
    look_at_cells();
}

#if CTL_HAS_STORAGE
/* Power fails while the image is made ready, or at the `writes`-th byte of that; then it comes again. */
static void power_on_with_a_cut(uint8_t writes, uint8_t torn)
{
    chip.writes_left = writes;
    chip.torn = torn;
    if (!setjmp(no_power)) {
        power_on();
        chip.writes_left = 0;
    } else {
        power_on();
    }
}
#endif

static void power(uint8_t which)
{
#if CTL_HAS_STORAGE
    /* Each of these in a statement of its own: C does not say which operand comes first. */
    uint8_t torn = next_byte();
    uint8_t low = next_byte();
    uint8_t high = next_byte();
    switch (which & 7u) {
    case 0: /* a save goes on for some bytes, then one is torn, to whatever */
        for (uint8_t left = low & 31u; left; left--) {
            pass(STORE_US);
        }
        poll();
        tear(torn);
        break;
    case 1:
        tear(chip.before);
        break;
    case 2: /* power fails at power-on too */
        tear(torn);
        power_on_with_a_cut((uint8_t)(1u + (low & 63u)), high);
        return;
    case 3: /* a byte anywhere has been lost */
        tear(chip.before);
        chip.bytes[(high << 8 | low) % CTL_STORAGE_BYTES] = torn;
        break;
    case 4: /* a new chip; power fails while it is made ready */
        memset(chip.bytes, 0xFF, sizeof chip.bytes);
        power_on_with_a_cut((uint8_t)(1u + low % 255u), torn);
        return;
    case 5: /* the chip comes from another version of the design */
        memcpy(chip.bytes, wild_images[low % COUNT_OF(wild_images)], sizeof chip.bytes);
        power_on_with_a_cut((uint8_t)(high & 64u ? 1u + (high & 63u) : 0u), torn);
        return;
    default: /* the last byte has been written, and power was off for a while */
        break;
    }
#endif
    wild.now_us = which & 8u ? 0u - (uint32_t)next_byte() * 4000u : wild.now_us;
    power_on();
}

static void arrive(uint8_t which)
{
    if (CTL_PEDALS && which & 1u) {
        uint8_t pedal = (uint8_t)(next_byte() % (CTL_PEDALS + !CTL_PEDALS));
        uint8_t high = next_byte();
        wild.readings[pedal] = (uint16_t)(high << 8 | next_byte());
    } else if (which & 2u) {
        const struct wild_arrival *arrival = &wild_arrivals[next_byte() % COUNT_OF(wild_arrivals)];
        if (arrival->port) {
            for (uint8_t time = 1; time < arrival->times; time++) {
                receive(arrival->port, arrival->bytes, arrival->count);
                pass(arrival->every_us);
            }
            receive(arrival->port, arrival->bytes, arrival->count);
        } else {
            wild.readings[arrival->pedal] = arrival->reading;
        }
    } else {
        uint8_t byte = next_byte();
        receive(which & 4u ? CTL_USB : CTL_SERIAL, &byte, 1);
    }
    pass(which & 8u ? 320 : 0);
}

static void move(uint8_t byte)
{
    uint8_t which = byte & 63u;
    switch (byte >> 6) {
    case TOGGLE:
    case TOGGLE_ALONE:
        wild.closed ^= CTL_BIT(which % CTL_SWITCHES);
        pass(byte >> 6 == TOGGLE ? WILD_APART_US : 0);
        break;
    case WAIT:
        if (which < 4) {
            wild.nudge_us = which & 1u ? 1 : -1;
        } else if (which == 4) {
            wild.dense = !wild.dense;
        } else if (which == 5) {
            pass(WILD_LONGEST_US >> (next_byte() & 15u));
        } else {
            pass(wild_waits_us[which % COUNT_OF(wild_waits_us)]);
        }
        break;
    default:
        if (which < 48) {
            arrive(which);
        } else {
            power(which);
        }
        break;
    }
}

void play(const uint8_t *bytes, size_t count);

/* A session on a board with a chip that has never been used. */
void play(const uint8_t *bytes, size_t count)
{
    moves.next = bytes;
    moves.end = bytes + count;
    memset(&wild, 0, sizeof wild);
#if CTL_HAS_STORAGE
    memset(&chip, 0, sizeof chip);
    memset(chip.bytes, 0xFF, sizeof chip.bytes);
#endif
    power_on();
    poll();
    while (moves.next < moves.end) {
        move(next_byte());
    }
}
