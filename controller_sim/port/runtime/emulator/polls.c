/* Polls, and what is seen at the beginning and the end of one: the clock, the contacts, the LEDs. */
#include "chip.h"

#define REST_CYCLES (150u * 1000u * CYCLES_PER_US) /* without a write: then all is stored */
#define PATIENCE_CYCLES (10u * FREQUENCY) /* for a rest that does not come */

uint64_t *polls;
static size_t poll_room;

uint64_t poll_number(void)
{
    return now.poll_count ? now.poll_count - 1 : 0;
}

static bool is_at_rest(void)
{
    uint64_t cycle = now.avr->cycle;
    bool line_rests = cycle >= now.line_free && !(now.avr->data[UCSR0B] & UDRIE0);
    bool chip_rests = cycle >= now.busy_until && cycle >= now.last_store + REST_CYCLES && cycle >= now.leaving_since + REST_CYCLES;
    return line_rests && chip_rests;
}

static void see_leds(void)
{
    uint8_t *before = now.lit[now.poll_count & 3];
    uint8_t lit[3] = {
        (uint8_t)(driven(PORTB, DDRB) & firmware.leds[0]),
        (uint8_t)(driven(PORTC, DDRC) & firmware.leds[1]),
        (uint8_t)(driven(PORTD, DDRD) & firmware.leds[2]),
    };
    if (memcmp(before, lit, sizeof lit)) {
        printf("leds %zu %u %u %u\n", now.poll_count - 1, lit[0], lit[1], lit[2]);
        memcpy(before, lit, sizeof lit);
    }
}

static void tell_away(size_t end)
{
    if (now.away_since < end) {
        printf("away %zu %zu\n", now.away_since, end);
    }
}

static void end_poll(void)
{
    size_t poll = now.poll_count - 1;
    see_leds();
    if (now.has_looked) {
        tell_away(poll);
        now.away_since = poll + 1;
        now.has_looked = false;
    }
}

/* A look at the clock: one poll ends, the next begins. */
static void begin_poll(void)
{
    if (now.poll_count) {
        end_poll();
    }
    if (now.is_leaving && (is_at_rest() || now.avr->cycle > now.leaving_since + PATIENCE_CYCLES)) {
        tell_away(now.poll_count);
        now.is_unfinished = !is_at_rest();
        now.is_off = true;
        printf("off %" PRIu64 "\n", now.last_clock);
        now.avr->state = cpu_Done;
        return;
    }
    if (now.poll_count == poll_room) {
        polls = grown(polls, sizeof *polls, &poll_room);
    }
    polls[now.poll_count++] = now.last_clock;
}

/* The clock: timer 1. */
uint8_t clock_read(avr_t *avr, avr_io_addr_t address, void *param)
{
    now.last_clock = avr->cycle;
    if (now.clock->tov_cycles && avr->cycle - now.clock->tov_base >= now.clock->tov_cycles) {
        fault("simavr is late: timer 1 has not yet overflowed");
    }
    if (now.clock_is_read && !now.is_off) {
        begin_poll();
    } else if (!now.clock_is_read) {
        now.clock_is_read = true;
        now.first_clock = avr->cycle;
        now.uart->cycles_per_byte = UART_SHORTEST;
        printf("clock %" PRIu64 " %" PRIu64 "\n", (uint64_t)avr->cycle, (uint64_t)(now.clock->tov_base % now.clock->tov_cycles));
        avr_cycle_timer_register(avr, 1, next_inputs, NULL);
    }
    (void)param;
    return now.read_clock(avr, address, now.clock_param);
}

/* A look at the contacts. */
uint8_t contacts_read(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)address;
    (void)param;
    if (!now.poll_count) {
        fault("contacts are read before the clock");
    }
    now.has_looked = true;
    /* A closed contact is at ground; an open one follows the pull-up, and without one it floats: then it reads as closed. */
    uint8_t outputs = avr->data[DDRC], high = (uint8_t)(avr->data[PORTC] & (outputs | ~now.contacts));
    unsigned closed = (unsigned)(~high & ~outputs) & firmware.switches;
    if (closed != (now.contacts & firmware.switches)) {
        fault("a contact floats, without a pull-up");
    }
    if (closed != now.seen) {
        now.seen = closed;
        printf("contacts %" PRIu64 " %u\n", poll_number(), closed);
    }
    return high;
}
