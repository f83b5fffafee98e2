/* All that the runtime asks of a board. Write these functions for yours; boards/ has examples.
 *
 * None of them may wait: a poll calls them and must be done in well under a millisecond.
 */
#ifndef CTL_HARDWARE_H
#define CTL_HARDWARE_H

#include <stdbool.h>
#include <stdint.h>

#include "design.h"

/* Microseconds since any moment, counting on through 2^32 to 0; never backwards. */
uint32_t hw_now_us(void);

/* Which contacts are closed: bit s for switch s, not debounced. A poll takes one that has changed, the lowest; the next one the next. */
ctl_switches_t hw_closed_contacts(void);

/* One whole MIDI message for `ports` (CTL_SERIAL, CTL_USB or both), to be sent after those before it. The serial port may
 * leave out a first byte of which ctl_status_is_running says so, asked once for each message that goes there. */
void hw_send(uint8_t ports, const uint8_t *bytes, uint8_t count);

#if CTL_LEDS
/* The lowest two bits of `value` are off, on, blink or dim; above them is the number of the colour. */
void hw_set_led(uint8_t led, uint8_t value);
#endif

#if CTL_TEXT_BYTES
/* The display's whole text, lines separated by newlines; it stays valid until the next call. */
void hw_show(const char *text);
#endif

#if CTL_PEDALS
/* The last reading of an analogue input. */
uint16_t hw_read_pedal(uint8_t pedal);
#endif

#if CTL_HAS_MIDI_IN
/* The next byte that came in at a port (CTL_SERIAL or CTL_USB), or -1 when there is none. */
int16_t hw_receive(uint8_t port);
#endif

#if CTL_HAS_STORAGE
/* Bytes that survive without power. `hw_store` starts to write one; no other is written or read before it is done. */
uint8_t hw_stored(uint16_t address);
void hw_store(uint16_t address, uint8_t byte);
bool hw_store_is_busy(void);
#endif

#ifdef CTL_TRACE
/* For a host that watches: what happened inside, by the numbers of the design. A board leaves CTL_TRACE undefined. */
enum { CTL_FIRED = 1, CTL_ENDED = 2, CTL_MODE = 3, CTL_EDGE = 5, CTL_RESTARTED = 6, CTL_RESPONDED = 7 };
void hw_happened(uint8_t kind, uint16_t what);
/* A response answers what arrived; the values that came with it, 0..16383 each. */
void hw_answered(uint16_t response, const int16_t *values, uint8_t count);
#endif

#endif
