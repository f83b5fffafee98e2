/* Kept cells in non-volatile memory, so that a power cut at any byte leaves each save whole or undone.
 *
 *     home      from address 0 up: row after row, each followed by its checksum
 *     journal   from the last address down: entries of LIVE, count, (row number, row) * count, checksum
 *
 * A row is what the newest entry with it says, else what its home says. The journal ends at the first byte that should be
 * LIVE and is not. An entry's LIVE is written last: that one byte decides. A full journal is brought home row by row, then
 * ended at its first byte. The rows hold a stream of bytes: a header, then for each kept cell a label of four bytes and its
 * values, each as its distance from the low end, highest byte first.
 */
#include <string.h>

#include "storage.h"

#if CTL_HAS_STORAGE
static const CTL_FLASH uint16_t crc_of_nibble[16] = {
    0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5, 0x60C6, 0x70E7, 0x8108, 0x9129, 0xA14A, 0xB16B, 0xC18C, 0xD1AD, 0xE1CE, 0xF1EF,
};

/* A CRC-16 (polynomial 0x1021, high bit first, beginning with 0xFFFF) with one more byte. */
uint16_t ctl_add_to_check(uint16_t check, uint8_t byte)
{
    check = (uint16_t)((uint16_t)(check << 4) ^ crc_of_nibble[(uint8_t)(check >> 12) ^ (byte >> 4)]);
    return (uint16_t)((uint16_t)(check << 4) ^ crc_of_nibble[(uint8_t)(check >> 12) ^ (byte & 15)]);
}

/* Places in the journal count down from the end of the memory. */
uint16_t ctl_journal_address(uint16_t place)
{
    return (uint16_t)(LAST_ADDRESS - place);
}

uint8_t ctl_journal(uint16_t place)
{
    return hw_stored(ctl_journal_address(place));
}

/* Write a byte that is not there yet. */
void ctl_put_byte(uint16_t address, uint8_t byte)
{
    if (hw_stored(address) != byte) {
        hw_store(address, byte);
    }
}

void ctl_put_journal(uint16_t place, uint8_t byte)
{
    ctl_put_byte(ctl_journal_address(place), byte);
}

uint16_t ctl_entry_bytes(uint8_t rows)
{
    return (uint16_t)(ENTRY_BYTES + rows * (CTL_ROW_BYTES + 1u));
}

static ctl_stored_t value_at(const uint8_t *bytes, const CTL_FLASH struct ctl_stored_cell *cell)
{
#if CTL_STORED_SIZES & 4
    if (cell->size == 4) {
        uint32_t wide;
        memcpy(&wide, bytes, 4);
        return wide;
    }
#endif
#if CTL_STORED_SIZES & 2
    if (cell->size == 2) {
        uint16_t bits;
        memcpy(&bits, bytes, 2);
#if CTL_STORED_SIZES & 4
        if (cell->is_signed && bits > 0x7FFFu) {
            return bits | 0xFFFF0000u;
        }
#endif
        return bits;
    }
#endif
#if CTL_STORED_SIZES == 1
    (void)cell;
    return *bytes;
#else
    return (ctl_stored_t)(*bytes - (cell->is_signed && *bytes > 0x7Fu ? 256u : 0u));
#endif
}

void ctl_set_kept(const CTL_FLASH struct ctl_stored_cell *cell, uint16_t which, ctl_stored_t distance)
{
    uint8_t *bytes = (uint8_t *)&cells + cell->offset + which * SIZE(cell);
    ctl_stored_t value = (ctl_stored_t)(cell->low + distance);
#if CTL_STORED_SIZES & 4
    if (cell->size == 4) {
        memcpy(bytes, &value, 4);
        return;
    }
#endif
#if CTL_STORED_SIZES & 2
    if (cell->size == 2) {
        uint16_t bits = (uint16_t)(value & 0xFFFFu);
        memcpy(bytes, &bits, 2);
        return;
    }
#endif
    *bytes = (uint8_t)(value & 0xFFu);
}

/* What stands at a place of the cells: where it is drafted, what stood there before the draft. */
static const uint8_t *settled(ctl_offset_t offset)
{
#if CTL_DRAFT_BYTES
    const uint8_t *saved = ctl_in_snapshot(offset);
    if (saved) {
        return saved;
    }
#endif
    return (const uint8_t *)&cells + offset;
}

/* From here on the held cells are saved as they are now. */
void ctl_hold(void)
{
#if CTL_HELD_BYTES
    for (ctl_offset_t offset = 0; offset < CTL_HELD_BYTES; offset++) {
        store.held[offset] = *settled(offset);
    }
    store.held_changed = false;
#endif
}

/* The distance of a kept value, as it is to be saved, from the low end of its range. */
static ctl_stored_t distance_of(const CTL_FLASH struct ctl_stored_cell *cell, uint16_t which)
{
    ctl_offset_t offset = (ctl_offset_t)(cell->offset + which * SIZE(cell));
#if CTL_HELD_BYTES
    const uint8_t *bytes = offset < CTL_HELD_BYTES ? store.held + offset : settled(offset);
#else
    const uint8_t *bytes = settled(offset);
#endif
    return (ctl_stored_t)(value_at(bytes, cell) - cell->low);
}

/* A byte of the stream as it is to be saved. */
uint8_t ctl_stream_byte(uint16_t place)
{
    if (place < HEADER_BYTES) {
        return ctl_storage_header[place];
    }
    for (uint8_t i = 0; i < CTL_STORED_CELLS; i++) {
        const CTL_FLASH struct ctl_stored_cell *cell = &ctl_stored_cells[i];
        if (place < cell->place) {
            uint8_t behind = (uint8_t)(cell->place - 1u - place);
            uint16_t half = behind < 2 ? cell->length : cell->number;
            return (uint8_t)(behind & 1u ? half >> 8 : half);
        }
        if (place - cell->place < cell->length) {
            uint16_t at = (uint16_t)(place - cell->place);
#if CTL_STORED_SIZES == 1
            return distance_of(cell, at);
#else
            uint8_t behind = (uint8_t)(cell->width - 1u - (uint8_t)(at % cell->width));
            return (uint8_t)(distance_of(cell, (uint16_t)(at / cell->width)) >> 8u * behind); /* at most 24 rounds */
#endif
        }
    }
    return 0;
}

/* Go on looking for the newest bytes of a row in the journal, at CTL_STORAGE_LOOKS of its rows. True when all has been looked through:
 * then `found` is where they stand, or 0. Addresses are counted, not places: that is quicker. */
bool ctl_find_row(uint8_t row)
{
    uint16_t end = ctl_journal_address(store.tail), head = store.head;
    uint8_t left = store.left;
    if (!head) {
        head = LAST_ADDRESS;
        left = 0;
        store.found = 0;
    }
    for (uint8_t looks = CTL_STORAGE_LOOKS; looks && head > end; looks--) { /* at most CTL_STORAGE_LOOKS rounds */
        if (!left) {
            left = hw_stored((uint16_t)(head - 1u));
            head = (uint16_t)(head - 2u);
        }
        if (left) {
            if (hw_stored(head) == row) {
                store.found = (uint16_t)(ctl_journal_address(head) + 1u);
            }
            head = (uint16_t)(head - (CTL_ROW_BYTES + 1u));
            left--;
        }
        if (!left) {
            head = (uint16_t)(head - CHECK_BYTES);
        }
    }
    store.left = left;
    store.head = head > end ? head : 0;
    return !store.head;
}

/* Put a row that has been looked for, as it is stored, into the buffer; false when its checksum fails. */
bool ctl_fetch_row(uint8_t row)
{
    uint16_t found = store.found, base = (uint16_t)(row * ROW_STEP), check = ctl_add_to_check(0xFFFF, row);
    for (uint8_t i = 0; i < CTL_ROW_BYTES; i++) {
        uint8_t byte = found ? ctl_journal((uint16_t)(found + i)) : hw_stored((uint16_t)(base + i));
        if (!found && row == 0 && i == 0) {
            byte = MAGIC; /* what this byte really holds is judged before any row is read */
        }
        store.row_bytes[i] = byte;
        if (!found) {
            check = ctl_add_to_check(check, byte);
        }
    }
    base = (uint16_t)(base + CTL_ROW_BYTES);
    return found || (hw_stored(base) == check >> 8 && hw_stored((uint16_t)(base + 1u)) == (check & 0xFFu));
}

/* Whether the row at hand is stored otherwise than the kept values are now (1) or not (0), -1 until that is known. First the row is
 * looked for and put into the buffer, then its bytes are looked at one a step. */
int8_t ctl_compare_step(void)
{
    uint8_t column = store.column;
    if (column == 0) {
        if (store.row >= store.image_rows) {
            return 1;
        }
        if (!ctl_find_row(store.row)) {
            return -1;
        }
        if (!ctl_fetch_row(store.row)) {
            return 1;
        }
    } else if (store.row_bytes[column - 1u] != ctl_stream_byte((uint16_t)(store.row * CTL_ROW_BYTES + column - 1u))) {
        store.column = 0;
        return 1;
    } else if (column == CTL_ROW_BYTES) {
        store.column = 0;
        return 0;
    }
    store.column = (uint8_t)(column + 1u);
    return -1;
}

bool ctl_has_room(uint8_t rows)
{
    return store.tail + (ctl_place_t)ctl_entry_bytes(rows) < JOURNAL_BYTES;
}
#endif
