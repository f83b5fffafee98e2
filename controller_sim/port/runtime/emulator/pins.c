/* The other pins: display and pedals. LEDs are looked at poll by poll (polls.c). */
#include "chip.h"

#define PULSE_CYCLES 8u /* E of a display is up for 450 ns at least (HD44780U data sheet, bus timing; from memory) */
#define COMMAND_CYCLES (37u * CYCLES_PER_US) /* a display's time for most commands (same, table 6; from memory) */
#define CLEAR_CYCLES (1520u * CYCLES_PER_US)

uint8_t driven(uint16_t port, uint16_t direction)
{
    return now.avr->data[port] & now.avr->data[direction];
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
void port_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    avr->data[address] = value;
}

void display_port_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
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
uint8_t converter_read(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)param;
    uint16_t reading = now.pedals[avr->data[ADMUX] & 7];
    avr->data[ADCH] = (uint8_t)(reading >> 8);
    avr->data[address] = (uint8_t)reading;
    return (uint8_t)reading;
}

uint8_t converter_read_high(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)param;
    return avr->data[address];
}
