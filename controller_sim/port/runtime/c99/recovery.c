/* Kept cells at power-on: what the memory holds is taken, from this design's image or another's, or the memory is made ready. */
#include "storage.h"

#if CTL_HAS_STORAGE
/* At power-on waiting for each byte does no harm. */
static void wait(void)
{
    while (hw_store_is_busy()) {
    }
}

static void wait_and_step(void)
{
    wait();
    ctl_save_step();
}

static void finish_save(void)
{
    ctl_plan_save();
    do {
        wait_and_step();
    } while (store.phase != IDLE);
    wait();
}

static void put_and_wait(uint16_t address, uint8_t byte)
{
    ctl_put_byte(address, byte);
    wait();
}

/* Write the image anew, from the last row to the first. Until the header, the first row, is whole there is nothing stored. */
static void format(void)
{
    ctl_hold();
    if (hw_stored(0) == MAGIC) {
        put_and_wait(0, END);
    }
    if (ctl_journal(0) == LIVE) {
        put_and_wait(ctl_journal_address(0), END);
    }
    for (uint8_t row = CTL_ROWS; row;) {
        store.row = --row;
        store.check = ctl_add_to_check(0xFFFF, row);
        store.column = 0;
        store.phase = FORMAT_BYTES;
        while (store.phase != TIDY) {
            wait_and_step();
        }
    }
    wait();
    put_and_wait(0, MAGIC);
}

static void find_tail(void)
{
    uint16_t place = 0;
    while (place < LAST_ADDRESS && ctl_journal(place) == LIVE) {
        ctl_place_t end = (ctl_place_t)(place + (ctl_place_t)ctl_entry_bytes(ctl_journal((uint16_t)(place + 1u))));
        uint16_t check = 0xFFFF;
        if (end > LAST_ADDRESS) {
            break;
        }
        for (uint16_t at = place; at < end - CHECK_BYTES; at++) {
            check = ctl_add_to_check(check, ctl_journal(at));
        }
        if (ctl_journal((uint16_t)(end - 2u)) != check >> 8 || ctl_journal((uint16_t)(end - 1u)) != (check & 0xFFu)) {
            break;
        }
        place = (uint16_t)end;
    }
    store.tail = place;
}

/* At power-on the search for a row does not have to be short. */
static bool find_and_fetch(uint8_t row)
{
    store.head = 0;
    while (!ctl_find_row(row)) {
    }
    return ctl_fetch_row(row);
}

/* A byte of the stream as it is stored, or -1 in a row whose checksum fails. */
static int16_t stored_byte(uint16_t place)
{
    uint8_t row = (uint8_t)(place / CTL_ROW_BYTES);
    if (row != store.row || !store.is_fetched) {
        store.row = row;
        store.is_whole = find_and_fetch(row);
        store.is_fetched = true;
    }
    return store.is_whole ? (int16_t)store.row_bytes[place % CTL_ROW_BYTES] : -1;
}

/* Whether all of the header but its first byte is the design's: then that byte was damaged, or the last one to be written. */
static bool lacks_magic_only(void)
{
    for (uint8_t at = 1; at < HEADER_BYTES; at++) {
        if (hw_stored(at) != ctl_storage_header[at]) {
            return false;
        }
    }
    return find_and_fetch(0);
}

/* Whether all labels that can be read are the design's; the header's checksum of them could agree by chance. */
static bool has_same_cells(void)
{
    for (uint8_t at = 0; at < HEADER_BYTES; at++) {
        if (stored_byte(at) != ctl_storage_header[at]) {
            return false;
        }
    }
    for (uint8_t i = 0; i < CTL_STORED_CELLS; i++) {
        for (uint16_t at = (uint16_t)(ctl_stored_cells[i].place - LABEL_BYTES); at < ctl_stored_cells[i].place; at++) {
            int16_t byte = stored_byte(at);
            if (byte >= 0 && byte != ctl_stream_byte(at)) {
                return false;
            }
        }
    }
    return true;
}

/* Where the image has the design's cells; false when it cannot be read through, or has none of them. */
static bool find_cells(uint16_t taken[])
{
    uint16_t place = HEADER_BYTES, end = (uint16_t)(store.image_rows * CTL_ROW_BYTES);
    bool some = false;
    for (uint8_t i = 0; i < CTL_STORED_CELLS; i++) {
        taken[i] = 0;
    }
    while (place + LABEL_BYTES < end) {
        uint16_t number = 0, length = 0;
        for (uint8_t i = 0; i < LABEL_BYTES; i++) {
            int16_t byte = stored_byte(place++);
            if (byte < 0) {
                return false;
            }
            number = (uint16_t)(number << 8 | length >> 8);
            length = (uint16_t)(length << 8 | (uint8_t)byte);
        }
        if (!number) {
            break;
        }
        for (uint8_t i = 0; i < CTL_STORED_CELLS; i++) {
            if (ctl_stored_cells[i].number == number && ctl_stored_cells[i].length == length && !taken[i]) {
                taken[i] = place;
                some = true;
                break;
            }
        }
        if (length > (uint16_t)(end - place)) {
            return false;
        }
        place = (uint16_t)(place + length);
    }
    return some;
}

/* Take the values that the image has; what is missing, damaged or out of range keeps its first value. */
static void read_values(const uint16_t taken[])
{
    for (uint8_t i = 0; i < CTL_STORED_CELLS; i++) {
        const CTL_FLASH struct ctl_stored_cell *cell = &ctl_stored_cells[i];
        uint16_t place = taken[i], values = (uint16_t)(cell->length / WIDTH(cell));
        for (uint16_t which = 0; place && which < values; which++) {
            ctl_stored_t distance = 0;
            bool is_whole = true;
            for (uint8_t n = 0; n < WIDTH(cell); n++) {
                int16_t byte = stored_byte(place++);
                is_whole = is_whole && byte >= 0;
                distance = (ctl_stored_t)(distance * 256u | ((uint8_t)byte & 0xFFu));
            }
            if (is_whole && distance <= cell->span) {
                ctl_set_kept(cell, which, distance);
            }
        }
    }
}

/* The image as this design laid it out; rows whose checksums fail are written anew. */
static void resume(void)
{
    uint16_t taken[CTL_STORED_CELLS];
    put_and_wait(0, MAGIC);
    for (uint8_t i = 0; i < CTL_STORED_CELLS; i++) {
        taken[i] = ctl_stored_cells[i].place;
    }
    read_values(taken);
    finish_save();
}

/* The image of another layout: its values are taken over, if it has some and the rows that move fit into one entry. */
static bool take_over(void)
{
    uint16_t taken[CTL_STORED_CELLS];
    uint8_t moving = 0;
    if (!find_cells(taken)) {
        return false;
    }
    read_values(taken);
    ctl_hold();
    store.row = 0;
    store.column = 0;
    while (store.row < CTL_ROWS) {
        int8_t result = ctl_compare_step();
        if (result >= 0) {
            moving = (uint8_t)(moving + result);
            store.row++;
        }
    }
    uint8_t rows = store.image_rows > CTL_ROWS ? store.image_rows : CTL_ROWS;
    if ((ctl_place_t)rows * ROW_STEP + ctl_entry_bytes(moving) >= CTL_STORAGE_BYTES) {
        return false;
    }
    if (store.tail) {
        ctl_begin_tidy();
        while (store.phase != PLAN) {
            wait_and_step();
        }
    }
    finish_save();
    return true;
}

/* Whether the header that is stored can be read at all. */
static bool read_header(uint8_t header[])
{
    if (hw_stored(2) != CTL_ROW_BYTES) {
        return false;
    }
    find_tail();
    store.is_fetched = false;
    for (uint8_t at = 0; at < HEADER_BYTES; at++) {
        int16_t byte = stored_byte(at);
        if (byte < 0) {
            return false;
        }
        header[at] = (uint8_t)byte;
    }
    store.image_rows = header[3];
    return header[0] == MAGIC && header[1] == FORMAT && header[2] == CTL_ROW_BYTES && header[3] &&
           (ctl_place_t)header[3] * ROW_STEP <= CTL_STORAGE_BYTES;
}

/* Make the memory ready and take the kept cells from it. False when it holds what this design must not touch: then the cells
 * have their first values, and nothing is saved. */
bool ctl_store_power_on(void)
{
    uint8_t header[HEADER_BYTES];
    wait();
    store.usable = true;
    store.tidies = false;
    store.changed = false;
    store.tail = 0;
    store.image_rows = CTL_ROWS;
    if (hw_stored(0) != MAGIC && !lacks_magic_only()) {
        format();
    } else if (!read_header(header)) {
        store.usable = false;
    } else if (has_same_cells()) {
        resume();
    } else if (header[4] > CTL_STORAGE_VERSION || header[4] < CTL_STORAGE_OLDEST || !take_over()) {
        ctl_take_first_values();
        store.usable = false;
    }
    store.tidies = true;
    store.phase = IDLE;
    return store.usable;
}
#endif
