/* An ATmega328P at 16 MHz as the hardware of a controller. README.md says how it is wired; change the pins here if yours differ.
 *
 *     switches   PC0 up, one for each, to ground (the chip's own pull-ups are on)
 *     pedals     PC5 down, one for each, from 0 V to the supply
 *     LEDs       as pins.h says, one for each colour, each through a resistor to ground
 *     display    PD2 RS, PD3 E, PD4..PD7 D4..D7; a character display of the usual kind, 4 bits wide, R/W to ground
 *     MIDI       PD1 out, PD0 in; 31,250 baud
 *
 * With CTL_TOLD, what a poll has read is told in the chip's general purpose registers, for an emulator to see.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/delay.h>

#include "controller.h"
#include "flash.h"
#include "hardware.h"
#include "pins.h"

/* 16 MHz / (16 * 32) = 31,250 baud exactly (MIDI 1.0 Detailed Specification 4.2.1, p. 1). */
#define BAUD_DIVIDER 31
#ifndef SEND_BYTES
#define SEND_BYTES 48u /* at most 255 */
#endif
#define OVERFLOW_US 32768u /* timer 1 counts half microseconds, 16 bits of them */
#define BLINK_SHIFT 18 /* this bit of the time in microseconds changes every 262 ms: on, off */

static volatile uint32_t overflows_us; /* the time at the last overflow of timer 1 */
static volatile uint8_t send_queue[SEND_BYTES];
static volatile uint8_t send_first, send_end;
#if CTL_SENDS_REAL_TIME
/* Real-time bytes go first, even between the bytes of a message (MIDI 1.0 Detailed Specification 4.2.1, p. 5): a clock keeps time. */
static volatile uint8_t urgent_queue[4];
static volatile uint8_t urgent_first, urgent_end;
#endif

static uint8_t after(uint8_t place)
{
    return (uint8_t)(place + 1u == SEND_BYTES ? 0 : place + 1u);
}

ISR(TIMER1_OVF_vect)
{
    overflows_us += OVERFLOW_US;
}

ISR(USART_UDRE_vect)
{
#if CTL_SENDS_REAL_TIME
    if (urgent_first != urgent_end) {
        UDR0 = urgent_queue[urgent_first];
        urgent_first = (uint8_t)((urgent_first + 1u) % sizeof urgent_queue);
        return;
    }
#endif
    if (send_first == send_end) {
        UCSR0B &= (uint8_t)~(1u << UDRIE0);
    } else {
        UDR0 = send_queue[send_first];
        send_first = after(send_first);
    }
}

/* An overflow that is not yet handled shows in its flag. */
uint32_t hw_now_us(void)
{
    uint8_t saved = SREG;
    cli();
    uint32_t start_us = overflows_us;
    uint16_t passed_us = TCNT1 >> 1;
    if ((TIFR1 & (1u << TOV1)) && passed_us < OVERFLOW_US / 2u) {
        passed_us |= OVERFLOW_US;
    }
    SREG = saved;
    return start_us + passed_us;
}

ctl_switches_t hw_closed_contacts(void)
{
    return (ctl_switches_t)(~(unsigned)PINC & ((1u << CTL_SWITCHES) - 1u));
}

#if CTL_SENDS_REAL_TIME
static void send_urgently(uint8_t byte)
{
    uint8_t end = (uint8_t)((urgent_end + 1u) % sizeof urgent_queue);
    while (end == urgent_first) { /* at most 0 rounds: what is told of polls leaves this wait out */
    }
    urgent_queue[urgent_end] = byte;
    urgent_end = end;
    UCSR0B |= 1u << UDRIE0;
}
#endif

/* Let the interrupt send what is in the queue up to here. */
static void send_up_to(uint8_t end)
{
    send_end = end;
    UCSR0B |= 1u << UDRIE0;
}

/* This board has no USB: what goes there only goes nowhere. */
void hw_send(uint8_t ports, const uint8_t *bytes, uint8_t count)
{
    if (!(ports & CTL_SERIAL)) {
        return;
    }
#if CTL_SENDS_REAL_TIME
    if (bytes[0] >= 0xF8) {
        send_urgently(bytes[0]);
        return;
    }
#endif
    uint8_t end = send_end;
    for (uint8_t i = ctl_status_is_running(bytes[0]) ? 1 : 0; i < count; i++) { /* at most count rounds */
        uint8_t next = after(end);
        if (next == send_first) {
            send_up_to(end);
            while (next == send_first) { /* at most 0 rounds: what is told of polls leaves this wait out */
                /* Better late than lost: a note-off that is dropped hangs for the rest of the evening. */
            }
        }
        send_queue[end] = bytes[i];
        end = next;
    }
    send_up_to(end);
}

#if CTL_LEDS
/* No compiler takes an array of less than nothing. */
typedef char pins_h_must_have_a_line_for_each_led[sizeof led_pin == sizeof(led_pins_t) * CTL_LEDS * LED_COLOURS ? 1 : -1];

enum { ON = 1, BLINK = 2, DIM = 3 };

static led_pins_t pins_at[4]; /* the pins lit at each level; those of level 0 are dark */

/* One pin of an LED is lit at most. */
void hw_set_led(uint8_t led, uint8_t value)
{
    led_pins_t others = (led_pins_t)~0u;
    for (uint8_t colour = 0; colour < LED_COLOURS; colour++) {
        others &= (led_pins_t)~led_pin[led][colour];
    }
    for (uint8_t level = ON; level <= DIM; level++) { /* at most DIM rounds */
        pins_at[level] &= others;
    }
    pins_at[value & 3u] |= led_pin[led][value >> 2];
}

/* Dim LEDs are lit at every fourth call. */
static void drive_leds(void)
{
    static uint8_t turn;
    led_pins_t show = pins_at[ON];
    if (!((uint8_t)(overflows_us >> BLINK_SHIFT) & 1u)) {
        show |= pins_at[BLINK];
    }
    if (!(++turn & 3u)) {
        show |= pins_at[DIM];
    }
    PORTB = (uint8_t)((PORTB & (uint8_t)~LED_PINS_B) | (uint8_t)show);
#if LED_PINS_C
    PORTC = (uint8_t)((PORTC & (uint8_t)~LED_PINS_C) | (uint8_t)(show >> 8));
#endif
#if LED_PINS_D
    PORTD = (uint8_t)((PORTD & (uint8_t)~LED_PINS_D) | (uint8_t)(show >> 16));
#endif
}
#endif

#if CTL_TEXT_BYTES
static const char *text = "";
static uint8_t text_place, text_line, text_column, text_state;

enum { SET_PLACE, WRITE, DONE };

#if CTL_DISPLAY_LINES > 1
#define LINE_PLACE(line) ((uint8_t)(0x80u | ((line) & 1u ? 0x40u : 0u) | ((line) & 2u ? 0x14u : 0u)))
#else
#define LINE_PLACE(line) 0x80
#endif

static void display_nibble(uint8_t nibble, uint8_t rs)
{
    PORTD = (uint8_t)((PORTD & 0x03u) | (uint8_t)(nibble << 4) | (uint8_t)(rs << 2));
    PORTD |= 1u << 3;
    _delay_us(1);
    PORTD &= (uint8_t)~(1u << 3);
}

static void display_byte(uint8_t byte, uint8_t rs)
{
    display_nibble(byte >> 4, rs);
    display_nibble(byte & 15u, rs);
}

void hw_show(const char *shown)
{
    text = shown;
    text_place = text_line = text_column = 0;
    text_state = SET_PLACE;
}

/* One character every 64 us: a display of the usual kind takes 37 us for it, and nobody waits here. Timer 0 counts 4 us. */
static void drive_display(void)
{
    static uint8_t last;
    if (text_state == DONE || (uint8_t)(TCNT0 - last) < 16u) {
        return;
    }
    last = TCNT0;
    if (text_state == SET_PLACE) {
        display_byte(LINE_PLACE(text_line), 0);
        text_state = WRITE;
        return;
    }
    char next = text[text_place];
    if (next != '\0' && next != '\n') {
        display_byte((uint8_t)next, 1);
        text_place++;
        text_column++;
    } else if (text_column < CTL_DISPLAY_CHARACTERS) {
        display_byte(' ', 1);
        text_column++;
    } else if (++text_line == CTL_DISPLAY_LINES) {
        text_state = DONE;
    } else {
        text_place = (uint8_t)(text_place + (next == '\n'));
        text_column = 0;
        text_state = SET_PLACE;
    }
}

/* As the data sheets of such displays ask: three times 8 bits wide with pauses, then 4; no cursor, cleared. */
static void start_display(void)
{
    static const CTL_FLASH uint8_t commands[] = {0x28, 0x0C, 0x06, 0x01};
    DDRD |= 0xFCu;
    _delay_ms(50);
    for (uint8_t i = 0; i < 3; i++) {
        display_nibble(3, 0);
        _delay_ms(5);
    }
    display_nibble(2, 0);
    _delay_us(64);
    for (uint8_t i = 0; i < sizeof commands; i++) {
        display_byte(commands[i], 0);
        _delay_ms(2);
    }
}
#endif

#if CTL_PEDALS
static volatile uint16_t readings[CTL_PEDALS];

/* The converter goes round the pedals by itself. */
ISR(ADC_vect)
{
    uint8_t pedal = (uint8_t)(5u - (ADMUX & 7u));
    readings[pedal] = ADC;
    pedal = (uint8_t)((pedal + 1u) % CTL_PEDALS);
    ADMUX = (uint8_t)(1u << REFS0 | (5u - pedal));
    ADCSRA |= 1u << ADSC;
}

uint16_t hw_read_pedal(uint8_t pedal)
{
    uint8_t saved = SREG;
    cli();
    uint16_t reading = readings[pedal];
    SREG = saved;
#ifdef CTL_TOLD
    GPIOR1 = (uint8_t)reading;
    GPIOR2 = (uint8_t)((5u - pedal) << 4 | reading >> 8);
#endif
    return reading;
}
#endif

#if CTL_HAS_MIDI_IN
static volatile uint8_t receive_queue[32];
static volatile uint8_t receive_first, receive_end;

ISR(USART_RX_vect)
{
    uint8_t byte = UDR0, end = (uint8_t)((receive_end + 1u) % sizeof receive_queue);
    if (end != receive_first) {
        receive_queue[receive_end] = byte;
        receive_end = end;
    }
}

int16_t hw_receive(uint8_t port)
{
    if (port != CTL_SERIAL || receive_first == receive_end) {
        return -1;
    }
    uint8_t byte = receive_queue[receive_first];
    receive_first = (uint8_t)((receive_first + 1u) % sizeof receive_queue);
#ifdef CTL_TOLD
    GPIOR0 = byte;
#endif
    return byte;
}
#endif

#if CTL_HAS_STORAGE
bool hw_store_is_busy(void)
{
    return EECR & (1u << EEPE);
}

uint8_t hw_stored(uint16_t address)
{
    EEAR = address;
    EECR |= 1u << EERE;
    return EEDR;
}

void hw_store(uint16_t address, uint8_t byte)
{
    uint8_t saved = SREG;
    EEAR = address;
    EEDR = byte;
    cli();
    EECR |= 1u << EEMPE;
    EECR |= 1u << EEPE;
    SREG = saved;
}
#endif

static void start_hardware(void)
{
    PORTC = (1u << CTL_SWITCHES) - 1u;
#if CTL_LEDS
    DDRB = LED_PINS_B;
    DDRC = LED_PINS_C;
    DDRD = LED_PINS_D;
#endif
#if CTL_TEXT_BYTES
    TCCR0B = 1u << CS01 | 1u << CS00;
#endif
    TCCR1B = 1u << CS11;
    TIMSK1 = 1u << TOIE1;
    UBRR0 = BAUD_DIVIDER;
    UCSR0C = 1u << UCSZ01 | 1u << UCSZ00;
    UCSR0B = 1u << TXEN0;
#if CTL_HAS_MIDI_IN
    UCSR0B |= 1u << RXEN0 | 1u << RXCIE0;
#endif
#if CTL_PEDALS
    ADMUX = 1u << REFS0 | 5u;
    ADCSRA = 1u << ADEN | 1u << ADIE | 1u << ADSC | 1u << ADPS2 | 1u << ADPS1 | 1u << ADPS0;
#endif
    sei();
#if CTL_PEDALS
    _delay_ms(1); /* then every pedal has been read */
#endif
#if CTL_TEXT_BYTES
    start_display();
#endif
}

int main(void)
{
    start_hardware();
    ctl_power_on();
    for (;;) {
        ctl_poll();
#if CTL_LEDS
        drive_leds();
#endif
#if CTL_TEXT_BYTES
        drive_display();
#endif
    }
}
