/* An ATmega328P at 16 MHz with a controller's firmware, among switches, pedals, a display, LEDs and MIDI.
 *
 *     emulator FLASH_IMAGE STATIC_END SWITCHES LEDS_B LEDS_C LEDS_D
 *
 * FLASH_IMAGE is the firmware as bytes from address 0, STATIC_END the first address of RAM behind its variables, SWITCHES
 * the pins of port C with a switch, and the rest are the pins of each port with an LED. Numbers may be as in C. From the standard input come sessions, line by line:
 *
 *     image HEX                  what the EEPROM holds, from its first byte; 0xFF behind that and where there is no such line
 *     on CONTACTS                power, with these contacts closed: bit s is pin s of port C
 *     contacts US CONTACTS       they change; times are in microseconds since the firmware first read its clock
 *     pedal US PIN READING       a voltage at a pin of port C, as the converter reads it
 *     receive US BYTE            a byte has come in
 *     off US                     from then on: the power goes when serial line and EEPROM have come to rest
 *
 * After `off` the session is played and told. Cycles count from power-on; a poll is what the firmware does from one look at its
 * clock to the next, but for the first look, and polls count from 0.
 *
 *     clock CYCLE START          the firmware has first read its clock, timer 1, which began in its first round, at START
 *     contacts POLL WORD         this poll sees other contacts than the one that looked at them before
 *     away FIRST END             polls that have not looked at the contacts, up to before END
 *     pedal POLL PIN READING     a poll takes another reading than before, or a byte: only if the firmware tells (CTL_TOLD)
 *     taken POLL BYTE
 *     byte POLL CYCLE START BYTE a byte for the serial line, and when its start bit begins
 *     display POLL CYCLE RS BYTE a byte for the display
 *     leds POLL B C D            after this poll the pins of LEDs are not as they were after the fourth before it
 *     store POLL CYCLE ADDRESS BYTE
 *     stored FIRST LAST          from poll to poll the EEPROM was read, a few polls apart at most
 *     fault CYCLE WORDS          something that no board would put up with
 *     off CYCLE                  the end of the last poll
 *     polls COUNT                then as many numbers of 8 bytes: the cycle at which each poll read the clock
 *     stack ADDRESS              the lowest byte that the stack has touched
 *     unfinished                 line or EEPROM did not come to rest
 *     image HEX
 *     done
 */
#include <inttypes.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_interrupts.h>
#include <simavr/sim_io.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CYCLES_PER_US 16u
#define FREQUENCY 16000000u
#define FLASH_BYTES 32768u
#define RAM_FIRST 0x100u
#define RAM_END 0x900u
#define EEPROM_BYTES 1024u
#define EEPROM_CYCLES 52736u /* 26,368 cycles of 8 MHz (ATmega328/P data sheet, table 12-2) */
#define MASTER_CYCLES 4u /* for so long a write may follow its announcement (same, 12.6.3) */
#define REST_CYCLES (150u * 1000u * CYCLES_PER_US) /* without a write: then all is stored */
#define PATIENCE_CYCLES (10u * FREQUENCY) /* for a rest that does not come */
#define LONGEST_POLL_CYCLES (20u * FREQUENCY)
#define UART_SHORTEST 16u /* what simavr adds to a byte that has come in */
#define PULSE_CYCLES 8u /* E of a display is up for 450 ns at least (HD44780U data sheet, bus timing; from memory) */
#define COMMAND_CYCLES (37u * CYCLES_PER_US) /* a display's time for most commands (same, table 6; from memory) */
#define CLEAR_CYCLES (1520u * CYCLES_PER_US)
#define WAKING_CYCLES (40u * 1000u * CYCLES_PER_US) /* from power to a display's first command (same, figure 24; from memory) */
#define CONVERSION_CYCLES (5u * 1000u * CYCLES_PER_US) /* more than a round of all pins takes */
#define READS_APART 16u /* polls */

/* Addresses in data space (ATmega328P data sheet, register summary). */
enum {
    PORTB = 0x25, DDRB = 0x24, PINC = 0x26, DDRC = 0x27, PORTC = 0x28, DDRD = 0x2A, PORTD = 0x2B, GPIOR0 = 0x3E, EECR = 0x3F, EEDR = 0x40,
    EEARL = 0x41, EEARH = 0x42, GPIOR1 = 0x4A, GPIOR2 = 0x4B, ADCL = 0x78, ADCH = 0x79, ADMUX = 0x7C, TCNT1L = 0x84, UCSR0A = 0xC0,
    UCSR0B = 0xC1, UCSR0C = 0xC2, UBRR0L = 0xC4, UBRR0H = 0xC5, UDR0 = 0xC6
};
enum { EERE = 1, EEPE = 2, EEMPE = 4, EERIE = 8, U2X0 = 2, UDRIE0 = 0x20, EIGHT_BITS = 6, DISPLAY_RS = 4, DISPLAY_E = 8 };

enum kind { CONTACTS, PEDAL, RECEIVE, OFF };

struct input {
    uint64_t time_us;
    enum kind kind;
    unsigned first, second;
};

static struct {
    uint8_t flash[FLASH_BYTES];
    unsigned static_end, switches;
    uint8_t leds[3];
} firmware;

static struct input *inputs;
static size_t input_count, input_room;

static uint64_t *polls;
static size_t poll_room;

static uint8_t eeprom[EEPROM_BYTES];

/* All of this begins anew with a session. */
static struct {
    avr_t *avr;
    avr_uart_t *uart;
    avr_timer_t *clock;
    size_t next_input;
    bool clock_is_read, has_looked, is_leaving, is_off, is_unfinished;
    uint64_t first_clock, last_clock, leaving_since;
    size_t poll_count, away_since;
    unsigned contacts, seen;
    uint16_t pedals[8], told[8];
    uint64_t pedal_moved[8];
    uint64_t line_free, data_free;
    uint64_t master_until, busy_until, last_store;
    bool was_read;
    uint64_t first_read, last_read;
    uint8_t lit[4][3];
    uint8_t display_port, high_nibble;
    bool is_wide, has_high;
    unsigned wakings;
    uint64_t pulse_since, display_ready;
    avr_io_read_t read_clock, read_adc;
    avr_io_write_t write_uart, write_baud;
    void *clock_param, *uart_param;
} now;

static uint64_t poll_number(void)
{
    return now.poll_count ? now.poll_count - 1 : 0;
}

static void fault(const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    printf("fault %" PRIu64 " ", now.avr ? now.avr->cycle : 0);
    vprintf(format, arguments);
    putchar('\n');
    va_end(arguments);
}

static void hear_simavr(avr_t *avr, const int level, const char *format, va_list arguments)
{
    (void)avr;
    if (level == LOG_ERROR || level == LOG_WARNING) {
        char words[200];
        vsnprintf(words, sizeof words, format, arguments);
        words[strcspn(words, "\n")] = 0;
        fault("%s", words);
    }
}

static void *grown(void *list, size_t size, size_t *room)
{
    *room = *room ? 2 * *room : 4096;
    list = realloc(list, *room * size);
    if (!list) {
        fputs("emulator: no memory\n", stderr);
        exit(2);
    }
    return list;
}

static uint8_t driven(uint16_t port, uint16_t direction)
{
    return now.avr->data[port] & now.avr->data[direction];
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

static avr_cycle_count_t next_inputs(avr_t *avr, avr_cycle_count_t when, void *param);

/* The clock: timer 1. */
static uint8_t clock_read(avr_t *avr, avr_io_addr_t address, void *param)
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
static uint8_t contacts_read(avr_t *avr, avr_io_addr_t address, void *param)
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

/* The serial line. The data register is free again when its byte begins to be sent. */
static avr_cycle_count_t data_is_free(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    avr_raise_interrupt(avr, &now.uart->udrc);
    return 0;
}

static void data_taken(avr_t *avr)
{
    avr_clear_interrupt(avr, &now.uart->udrc);
    avr_regbit_clear(avr, now.uart->udrc.raised);
}

static void data_written(avr_t *avr, avr_io_addr_t address, uint8_t byte, void *param)
{
    (void)address;
    (void)param;
    unsigned divider = (unsigned)(avr->data[UBRR0L] | avr->data[UBRR0H] << 8) + 1;
    unsigned bit_cycles = divider * (avr->data[UCSR0A] & U2X0 ? 8 : 16);
    if (avr->data[UCSR0C] != EIGHT_BITS) {
        fault("the serial line is not set to 8 bits, no parity, one stop bit");
    }
    if (avr->cycle < now.data_free) {
        fault("a byte is written over one that waits");
    }
    uint64_t start = avr->cycle > now.line_free ? avr->cycle : now.line_free;
    now.line_free = start + 10u * bit_cycles;
    now.data_free = start;
    printf("byte %" PRIu64 " %" PRIu64 " %" PRIu64 " %u\n", poll_number(), (uint64_t)avr->cycle, start, byte);
    data_taken(avr);
    avr_cycle_timer_register(avr, start > avr->cycle + 2 ? start - avr->cycle : 2, data_is_free, NULL);
}

static void uart_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    now.write_uart(avr, address, value, now.uart_param);
    if (avr->cycle < now.data_free) {
        data_taken(avr);
    }
}

static void baud_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    now.write_baud(avr, address, value, now.uart_param);
    now.uart->cycles_per_byte = UART_SHORTEST;
}

/* The EEPROM. */
static uint16_t store_address(const avr_t *avr)
{
    return (uint16_t)((avr->data[EEARL] | avr->data[EEARH] << 8) % EEPROM_BYTES);
}

/* The processor stands still for a while (data sheet, 12.6.3). simavr must not go on as far as it has planned to. */
static void stand_still(avr_t *avr, unsigned cycles)
{
    avr->cycle += cycles;
    avr->run_cycle_count = 0;
}

static void store_byte(avr_t *avr)
{
    uint16_t address = store_address(avr);
    eeprom[address] = avr->data[EEDR];
    now.last_store = avr->cycle;
    now.busy_until = avr->cycle + EEPROM_CYCLES;
    now.master_until = 0;
    printf("store %" PRIu64 " %" PRIu64 " %u %u\n", poll_number(), (uint64_t)avr->cycle, address, eeprom[address]);
    stand_still(avr, 2);
}

static void tell_reads(void)
{
    if (now.was_read) {
        printf("stored %" PRIu64 " %" PRIu64 "\n", now.first_read, now.last_read);
    }
    now.was_read = false;
}

static void store_read(avr_t *avr)
{
    avr->data[EEDR] = eeprom[store_address(avr)];
    stand_still(avr, 4);
    if (now.was_read && poll_number() > now.last_read + READS_APART) {
        tell_reads();
    }
    if (!now.was_read) {
        now.was_read = true;
        now.first_read = poll_number();
    }
    now.last_read = poll_number();
}

static void store_control_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    bool is_busy = avr->cycle < now.busy_until;
    if (value & (EEPE | EERE) && is_busy && !(value & EEMPE && !(value & EERE) && avr->cycle >= now.master_until)) {
        fault("the EEPROM is %s while it is busy", value & EERE ? "read" : "written");
    } else if (value & EERE) {
        store_read(avr);
    } else if (value & EEPE && avr->cycle <= now.master_until) {
        store_byte(avr);
    } else if (value & EEPE && !is_busy) {
        fault("an EEPROM write was not announced in time");
    } else if (value & EEMPE) {
        now.master_until = avr->cycle + 2 + MASTER_CYCLES;
    }
    avr->data[address] = value & EERIE;
}

static uint8_t store_control_read(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)param;
    uint8_t value = avr->data[address] & EERIE;
    return (uint8_t)(value | (avr->cycle < now.busy_until ? EEPE : 0) | (avr->cycle <= now.master_until ? EEMPE : 0));
}

/* The display: first it takes 8 bits at a time, of which 4 are wired, later each byte as two halves. */
static void display_byte(uint8_t byte, bool rs)
{
    uint64_t cycle = now.avr->cycle;
    if (cycle < now.display_ready) {
        fault("the display is spoken to %" PRIu64 " cycles before it is ready", now.display_ready - cycle);
    }
    bool is_long = !rs && byte < 4;
    now.display_ready = cycle + (is_long ? CLEAR_CYCLES : COMMAND_CYCLES);
    printf("display %" PRIu64 " %" PRIu64 " %u %u\n", poll_number(), cycle, rs, byte);
}

static void display_nibble(uint8_t nibble, bool rs)
{
    uint64_t cycle = now.avr->cycle;
    if (!now.is_wide) {
        static const unsigned pauses_us[] = {4100, 100, 37};
        if (cycle < now.display_ready) {
            fault("the display is woken too early");
        }
        now.display_ready = cycle + pauses_us[now.wakings < 2 ? now.wakings : 2] * CYCLES_PER_US;
        now.wakings++;
        if (nibble == 2 && now.wakings > 3) {
            now.is_wide = true;
        } else if (nibble != 3) {
            fault("the display is woken with %u", nibble);
        }
    } else if (now.has_high) {
        display_byte((uint8_t)(now.high_nibble << 4 | nibble), rs);
        now.has_high = false;
    } else {
        now.high_nibble = nibble;
        now.has_high = true;
    }
}

/* simavr's own ports do much that is not needed here, at every write. */
static void port_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    avr->data[address] = value;
}

static void display_port_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    port_written(avr, address, value, param);
    uint8_t level = driven(PORTD, DDRD);
    if (level & ~now.display_port & DISPLAY_E) {
        now.pulse_since = avr->cycle;
    } else if (now.display_port & ~level & DISPLAY_E) {
        if (avr->cycle - now.pulse_since < PULSE_CYCLES) {
            fault("E of the display is up for %" PRIu64 " cycles only", (uint64_t)avr->cycle - now.pulse_since);
        }
        display_nibble(level >> 4, level & DISPLAY_RS);
    }
    now.display_port = level;
}

/* The converter: its pace is simavr's, its readings are ours. */
static uint8_t converter_read(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)param;
    uint16_t reading = now.pedals[avr->data[ADMUX] & 7];
    avr->data[ADCH] = (uint8_t)(reading >> 8);
    avr->data[address] = (uint8_t)reading;
    return (uint8_t)reading;
}

static uint8_t converter_read_high(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)param;
    return avr->data[address];
}

/* What firmware that tells takes in a poll: a byte through GPIOR0; a reading through GPIOR1 and 2, the pin above bit 3. */
static void taken_told(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    avr->data[address] = value;
    printf("taken %" PRIu64 " %u\n", poll_number(), value);
}

static void reading_told(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    avr->data[address] = value;
    unsigned pin = value >> 4 & 7u;
    uint16_t reading = (uint16_t)((value & 15u) << 8 | avr->data[GPIOR1]);
    bool may_lag = now.pedal_moved[pin] && avr->cycle <= now.pedal_moved[pin] + CONVERSION_CYCLES;
    if (reading != now.pedals[pin] && !may_lag) {
        fault("pin %u of port C reads %u, but it stands at %u", pin, reading, now.pedals[pin]);
    }
    if (now.told[pin] != reading) {
        now.told[pin] = reading;
        printf("pedal %" PRIu64 " %u %u\n", poll_number(), pin, reading);
    }
}

/* What happens to the controller. */
static void happen(const struct input *input)
{
    switch (input->kind) {
    case CONTACTS:
        now.contacts = input->first;
        break;
    case PEDAL:
        now.pedals[input->first & 7] = (uint16_t)input->second;
        now.pedal_moved[input->first & 7] = now.avr->cycle;
        break;
    case RECEIVE:
        avr_raise_irq(now.uart->io.irq + UART_IRQ_INPUT, input->first);
        break;
    case OFF:
        now.is_leaving = true;
        now.leaving_since = now.avr->cycle;
        break;
    }
}

static avr_cycle_count_t next_inputs(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    while (now.next_input < input_count) {
        uint64_t due = now.first_clock + inputs[now.next_input].time_us * CYCLES_PER_US;
        if (due > avr->cycle) {
            return due;
        }
        happen(&inputs[now.next_input++]);
    }
    return 0;
}

static avr_io_t *module(const char *kind, char name)
{
    for (avr_io_t *io = now.avr->io_port; io; io = io->next) {
        if (!strcmp(io->kind, kind) && (!name || ((avr_timer_t *)io)->name == name)) {
            return io;
        }
    }
    fprintf(stderr, "emulator: this simavr has no %s %c\n", kind, name);
    exit(2);
}

static void on_read(uint16_t address, avr_io_read_t read)
{
    now.avr->io[AVR_DATA_TO_IO(address)].r.c = read;
}

static void on_write(uint16_t address, avr_io_write_t write)
{
    now.avr->io[AVR_DATA_TO_IO(address)].w.c = write;
}

static void connect(void)
{
    avr_t *avr = now.avr;
    now.uart = (avr_uart_t *)module("uart", 0);
    now.uart->flags = 0;
    now.clock = (avr_timer_t *)module("timer", '1');
    now.read_clock = avr->io[AVR_DATA_TO_IO(TCNT1L)].r.c;
    now.clock_param = avr->io[AVR_DATA_TO_IO(TCNT1L)].r.param;
    now.write_uart = avr->io[AVR_DATA_TO_IO(UCSR0B)].w.c;
    now.write_baud = avr->io[AVR_DATA_TO_IO(UBRR0L)].w.c;
    now.uart_param = now.uart;
    on_read(TCNT1L, clock_read);
    on_read(PINC, contacts_read);
    on_write(UDR0, data_written);
    on_write(UCSR0B, uart_written);
    on_write(UBRR0L, baud_written);
    on_write(EECR, store_control_written);
    on_read(EECR, store_control_read);
    for (uint16_t address = DDRB; address < PORTD; address++) {
        if (address != PINC && address != PINC + 3) {
            on_write(address, port_written);
        }
    }
    on_write(PORTD, display_port_written);
    on_read(ADCL, converter_read);
    on_read(ADCH, converter_read_high);
    on_write(GPIOR0, taken_told);
    on_write(GPIOR2, reading_told);
}

static uint8_t paint(unsigned address)
{
    return (uint8_t)(address * 37u + 0xC5u);
}

static void start(unsigned contacts)
{
    uint16_t pedals[8];
    memcpy(pedals, now.pedals, sizeof pedals);
    memset(&now, 0, sizeof now);
    memcpy(now.pedals, pedals, sizeof pedals);
    memset(now.told, 0xFF, sizeof now.told);
    now.contacts = contacts;
    now.seen = ~0u;
    now.display_ready = WAKING_CYCLES;
    now.avr = avr_make_mcu_by_name("atmega328p");
    if (!now.avr) {
        fputs("emulator: this simavr has no atmega328p\n", stderr);
        exit(2);
    }
    avr_init(now.avr);
    now.avr->frequency = FREQUENCY;
    now.avr->vcc = now.avr->avcc = now.avr->aref = 5000;
    now.avr->run_cycle_limit = FREQUENCY;
    memcpy(now.avr->flash, firmware.flash, FLASH_BYTES);
    for (unsigned address = RAM_FIRST; address < RAM_END; address++) {
        now.avr->data[address] = paint(address);
    }
    connect();
}

static void tell_session(void)
{
    unsigned lowest = firmware.static_end;
    while (lowest < RAM_END && now.avr->data[lowest] == paint(lowest)) {
        lowest++;
    }
    tell_reads();
    printf("polls %zu\n", now.poll_count);
    fwrite(polls, sizeof *polls, now.poll_count, stdout);
    printf("stack %u\n%simage ", lowest, now.is_unfinished ? "unfinished\n" : "");
    for (unsigned address = 0; address < EEPROM_BYTES; address++) {
        printf("%02x", eeprom[address]);
    }
    puts("\ndone");
    fflush(stdout);
}

static void play(unsigned contacts)
{
    start(contacts);
    uint64_t last_polls = 0, patience = LONGEST_POLL_CYCLES;
    while (!now.is_off) {
        int state = avr_run(now.avr);
        if (now.poll_count != last_polls) {
            last_polls = now.poll_count;
            patience = now.avr->cycle + LONGEST_POLL_CYCLES;
        }
        if (!now.is_off && (state == cpu_Done || state == cpu_Crashed || state == cpu_Sleeping)) {
            fault("the firmware has stopped at %#x", now.avr->pc);
            break;
        }
        if (now.avr->cycle > patience) {
            fault("the firmware hangs at %#x", now.avr->pc);
            break;
        }
    }
    tell_session();
    avr_terminate(now.avr);
    free(now.avr);
    now.avr = NULL;
    input_count = 0;
}

static void add_input(enum kind kind, uint64_t time_us, unsigned first, unsigned second)
{
    if (input_count == input_room) {
        inputs = grown(inputs, sizeof *inputs, &input_room);
    }
    inputs[input_count++] = (struct input){time_us, kind, first, second};
}

static bool take_image(const char *hex)
{
    memset(eeprom, 0xFF, sizeof eeprom);
    for (unsigned address = 0; hex[2 * address] && address < EEPROM_BYTES; address++) {
        unsigned byte;
        if (sscanf(hex + 2 * address, "%2x", &byte) != 1) {
            return false;
        }
        eeprom[address] = (uint8_t)byte;
    }
    return true;
}

/* False for a line that is none of the above. */
static bool take(const char *line)
{
    static unsigned contacts;
    static char hex[2 * EEPROM_BYTES + 1];
    uint64_t time_us;
    unsigned first, second;
    if (sscanf(line, "image %2048s", hex) == 1) {
        return take_image(hex);
    }
    if (sscanf(line, "on %u", &contacts) == 1) {
        return true;
    }
    if (sscanf(line, "contacts %" SCNu64 " %u", &time_us, &first) == 2) {
        add_input(CONTACTS, time_us, first, 0);
    } else if (sscanf(line, "pedal %" SCNu64 " %u %u", &time_us, &first, &second) == 3) {
        if (time_us) {
            add_input(PEDAL, time_us, first, second);
        } else {
            now.pedals[first & 7] = (uint16_t)second;
        }
    } else if (sscanf(line, "receive %" SCNu64 " %u", &time_us, &first) == 2) {
        add_input(RECEIVE, time_us, first, 0);
    } else if (sscanf(line, "off %" SCNu64, &time_us) == 1) {
        add_input(OFF, time_us, 0, 0);
        play(contacts);
    } else {
        return false;
    }
    return true;
}

static bool read_firmware(char **arguments)
{
    FILE *file = fopen(arguments[0], "rb");
    if (!file) {
        return false;
    }
    memset(firmware.flash, 0xFF, sizeof firmware.flash);
    size_t count = fread(firmware.flash, 1, sizeof firmware.flash, file);
    fclose(file);
    firmware.static_end = (unsigned)strtoul(arguments[1], NULL, 0);
    firmware.switches = (unsigned)strtoul(arguments[2], NULL, 0);
    for (int port = 0; port < 3; port++) {
        firmware.leds[port] = (uint8_t)strtoul(arguments[3 + port], NULL, 0);
    }
    return count > 0;
}

int main(int count, char **arguments)
{
    static char line[4096];
    if (count != 7 || !read_firmware(arguments + 1)) {
        fputs("usage: emulator FLASH_IMAGE STATIC_END SWITCHES LEDS_B LEDS_C LEDS_D\n", stderr);
        return 2;
    }
    avr_global_logger_set(hear_simavr);
    memset(eeprom, 0xFF, sizeof eeprom);
    while (fgets(line, sizeof line, stdin)) {
        if (!take(line)) {
            fprintf(stderr, "emulator: cannot read %s", line);
            return 2;
        }
    }
    return 0;
}
