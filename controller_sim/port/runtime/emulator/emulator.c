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
#include "chip.h"

#include <stdarg.h>
#include <stdlib.h>

#define RAM_FIRST 0x100u
#define RAM_END 0x900u
#define LONGEST_POLL_CYCLES (20u * FREQUENCY)
#define WAKING_CYCLES (40u * 1000u * CYCLES_PER_US) /* from power to a display's first command (same, figure 24; from memory) */
#define CONVERSION_CYCLES (5u * 1000u * CYCLES_PER_US) /* more than a round of all pins takes */

enum kind { CONTACTS, PEDAL, RECEIVE, OFF };

struct input {
    uint64_t time_us;
    enum kind kind;
    unsigned first, second;
};

struct firmware firmware;
struct chip now;

static struct input *inputs;
static size_t input_count, input_room;

void fault(const char *format, ...)
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

void *grown(void *list, size_t size, size_t *room)
{
    *room = *room ? 2 * *room : 4096;
    list = realloc(list, *room * size);
    if (!list) {
        fputs("emulator: no memory\n", stderr);
        exit(2);
    }
    return list;
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

avr_cycle_count_t next_inputs(avr_t *avr, avr_cycle_count_t when, void *param)
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
