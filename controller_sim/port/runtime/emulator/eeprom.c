/* The EEPROM: busy for 3.3 ms with each byte. */
#include "chip.h"

#define EEPROM_CYCLES 52736u /* 26,368 cycles of 8 MHz (ATmega328/P data sheet, table 12-2) */
#define MASTER_CYCLES 4u /* for so long a write may follow its announcement (same, 12.6.3) */
#define READS_APART 16u /* polls */

uint8_t eeprom[EEPROM_BYTES];

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

void tell_reads(void)
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

void store_control_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
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

uint8_t store_control_read(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)param;
    uint8_t value = avr->data[address] & EERIE;
    return (uint8_t)(value | (avr->cycle < now.busy_until ? EEPE : 0) | (avr->cycle <= now.master_until ? EEMPE : 0));
}
