/* The chip that runs, what is wired to it, and what has come of it so far. */
#ifndef CHIP_H
#define CHIP_H

#include <inttypes.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_interrupts.h>
#include <simavr/sim_io.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#define CYCLES_PER_US 16u
#define FREQUENCY 16000000u
#define FLASH_BYTES 32768u
#define EEPROM_BYTES 1024u
#define UART_SHORTEST 16u /* what simavr adds to a byte that has come in */

/* Addresses in data space (ATmega328P data sheet, register summary). */
enum {
    PORTB = 0x25, DDRB = 0x24, PINC = 0x26, DDRC = 0x27, PORTC = 0x28, DDRD = 0x2A, PORTD = 0x2B, GPIOR0 = 0x3E, EECR = 0x3F, EEDR = 0x40,
    EEARL = 0x41, EEARH = 0x42, GPIOR1 = 0x4A, GPIOR2 = 0x4B, ADCL = 0x78, ADCH = 0x79, ADMUX = 0x7C, TCNT1L = 0x84, UCSR0A = 0xC0,
    UCSR0B = 0xC1, UCSR0C = 0xC2, UBRR0L = 0xC4, UBRR0H = 0xC5, UDR0 = 0xC6
};
enum { EERE = 1, EEPE = 2, EEMPE = 4, EERIE = 8, U2X0 = 2, UDRIE0 = 0x20, EIGHT_BITS = 6, DISPLAY_RS = 4, DISPLAY_E = 8 };

struct firmware {
    uint8_t flash[FLASH_BYTES];
    unsigned static_end, switches;
    uint8_t leds[3];
};

struct chip {
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
};

extern struct firmware firmware;
extern struct chip now; /* all of it begins anew with a session */
extern uint8_t eeprom[EEPROM_BYTES];

/* emulator.c */
void fault(const char *format, ...);
void *grown(void *list, size_t size, size_t *room);
avr_cycle_count_t next_inputs(avr_t *avr, avr_cycle_count_t when, void *param);

/* polls.c */
extern uint64_t *polls;
uint64_t poll_number(void);
uint8_t clock_read(avr_t *avr, avr_io_addr_t address, void *param);
uint8_t contacts_read(avr_t *avr, avr_io_addr_t address, void *param);

/* serial.c */
void data_written(avr_t *avr, avr_io_addr_t address, uint8_t byte, void *param);
void uart_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param);
void baud_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param);

/* eeprom.c */
void tell_reads(void);
void store_control_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param);
uint8_t store_control_read(avr_t *avr, avr_io_addr_t address, void *param);

/* pins.c */
uint8_t driven(uint16_t port, uint16_t direction);
void port_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param);
void display_port_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param);
uint8_t converter_read(avr_t *avr, avr_io_addr_t address, void *param);
uint8_t converter_read_high(avr_t *avr, avr_io_addr_t address, void *param);

#endif
