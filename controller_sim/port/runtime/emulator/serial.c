/* The serial line: ten bits a byte, and a register that takes the next byte while one is on its way. simavr has neither. */
#include "chip.h"

/* The data register is free again when its byte begins to be sent. */
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

void data_written(avr_t *avr, avr_io_addr_t address, uint8_t byte, void *param)
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

void uart_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    now.write_uart(avr, address, value, now.uart_param);
    if (avr->cycle < now.data_free) {
        data_taken(avr);
    }
}

void baud_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    now.write_baud(avr, address, value, now.uart_param);
    now.uart->cycles_per_byte = UART_SHORTEST;
}
