/* Kept cells in non-volatile memory, so that a power cut at any byte leaves each save whole or undone.
 *
 *     home      from address 0 up: row after row, each followed by its checksum
 *     journal   from the last address down: entries of LIVE, count, (row number, row) * count, checksum
 *
 * A row is what the newest entry with it says, else what its home says. The journal ends at the first byte that should be
 * LIVE and is not. An entry's LIVE is written last: that one byte decides. A full journal is brought home row by row, then
 * ended at its first byte. The rows hold a stream of bytes: a header, then for each kept cell a label of four bytes and its
 * values, each as its distance from the low end, highest byte first.
 *
 * A byte takes milliseconds, so a save is written one byte a poll, when the memory is not busy. Cells that change meanwhile
 * make the unfinished entry begin anew: nothing of it counts yet. Those that more than feet can change (the held ones) might
 * do so for ever: a save goes on with them as they were when it began, and the next one begins when it is done.
 */
#include <string.h>

#include "state.h"

#if CTL_HAS_STORAGE
enum { MAGIC = 0xB5, FORMAT = 1, LIVE = 0x5A, END = 0xFF };

#define HEADER_BYTES 7u
#define LABEL_BYTES 4u
#define CHECK_BYTES 2u
#define ENTRY_BYTES 4u /* without its rows */
#define ROW_STEP (CTL_ROW_BYTES + CHECK_BYTES)
#define LAST_ADDRESS (CTL_STORAGE_BYTES - 1u)
#define JOURNAL_BYTES (CTL_STORAGE_BYTES - (ctl_place_t)CTL_ROWS * ROW_STEP)

/* Holds a place in the memory and the longest entry beyond it. */
#if CTL_STORAGE_BYTES > 32000u
typedef uint32_t ctl_place_t;
#else
typedef uint16_t ctl_place_t;
#endif

#define store ctl.stored

static const CTL_FLASH uint16_t crc_of_nibble[16] = {
    0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5, 0x60C6, 0x70E7, 0x8108, 0x9129, 0xA14A, 0xB16B, 0xC18C, 0xD1AD, 0xE1CE, 0xF1EF,
};

/* A CRC-16 (polynomial 0x1021, high bit first, beginning with 0xFFFF) with one more byte. */
static uint16_t add_to_check(uint16_t check, uint8_t byte)
{
    check = (uint16_t)((uint16_t)(check << 4) ^ crc_of_nibble[(uint8_t)(check >> 12) ^ (byte >> 4)]);
    return (uint16_t)((uint16_t)(check << 4) ^ crc_of_nibble[(uint8_t)(check >> 12) ^ (byte & 15)]);
}

/* Places in the journal count down from the end of the memory. */
static uint16_t journal_address(uint16_t place)
{
    return (uint16_t)(LAST_ADDRESS - place);
}

static uint8_t journal(uint16_t place)
{
    return hw_stored(journal_address(place));
}

/* Write a byte that is not there yet. */
static void put_byte(uint16_t address, uint8_t byte)
{
    if (hw_stored(address) != byte) {
        hw_store(address, byte);
    }
}

static void put_journal(uint16_t place, uint8_t byte)
{
    put_byte(journal_address(place), byte);
}

static uint16_t entry_bytes(uint8_t rows)
{
    return (uint16_t)(ENTRY_BYTES + rows * (CTL_ROW_BYTES + 1u));
}

/* Values in struct ctl_cells have as many bytes as their ranges need; only the sizes that there are cost anything. */
#if CTL_STORED_SIZES == 1
#define WIDTH(cell) 1u
#define SIZE(cell) 1u
#else
#define WIDTH(cell) ((cell)->width)
#define SIZE(cell) ((cell)->size)
#endif

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

static void set_value(const CTL_FLASH struct ctl_stored_cell *cell, uint16_t which, ctl_stored_t distance)
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
static void hold(void)
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
static uint8_t stream_byte(uint16_t place)
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
            return (uint8_t)(distance_of(cell, (uint16_t)(at / cell->width)) >> 8u * behind);
#endif
        }
    }
    return 0;
}

/* Where in the journal the newest bytes of a row stand, or 0. All of the journal is looked through, so addresses are counted. */
static uint16_t find(uint8_t row)
{
    uint16_t found = 0, head = LAST_ADDRESS, end = journal_address(store.tail);
    while (head > end) {
        uint16_t at = (uint16_t)(head - 2u);
        for (uint8_t count = hw_stored((uint16_t)(head - 1u)); count; count--, at = (uint16_t)(at - (CTL_ROW_BYTES + 1u))) {
            if (hw_stored(at) == row) {
                found = at;
            }
        }
        head = (uint16_t)(at - CHECK_BYTES);
    }
    return found ? (uint16_t)(journal_address(found) + 1u) : 0;
}

/* Put a row, as it is stored, into the buffer; false when its checksum fails. */
static bool fetch(uint8_t row)
{
    uint16_t found = find(row), base = (uint16_t)(row * ROW_STEP), check = add_to_check(0xFFFF, row);
    for (uint8_t i = 0; i < CTL_ROW_BYTES; i++) {
        uint8_t byte = found ? journal((uint16_t)(found + i)) : hw_stored((uint16_t)(base + i));
        if (!found && row == 0 && i == 0) {
            byte = MAGIC; /* what this byte really holds is judged before any row is read */
        }
        store.row_bytes[i] = byte;
        if (!found) {
            check = add_to_check(check, byte);
        }
    }
    base = (uint16_t)(base + CTL_ROW_BYTES);
    return found || (hw_stored(base) == check >> 8 && hw_stored((uint16_t)(base + 1u)) == (check & 0xFFu));
}

/* Whether the row at hand is stored otherwise than the kept values are now (1) or not (0): its bytes are looked at one a step,
 * until then it is -1. The first step puts it into the buffer. */
static int8_t compare_step(void)
{
    uint8_t column = store.column++;
    if (column == 0) {
        if (store.row < store.image_rows && fetch(store.row)) {
            return -1;
        }
    } else if (store.row_bytes[column - 1u] == stream_byte((uint16_t)(store.row * CTL_ROW_BYTES + column - 1u))) {
        if (column < CTL_ROW_BYTES) {
            return -1;
        }
        store.column = 0;
        return 0;
    }
    store.column = 0;
    return 1;
}

static bool has_room(uint8_t rows)
{
    return store.tail + (ctl_place_t)entry_bytes(rows) < JOURNAL_BYTES;
}

/* A save goes through these in turn, one byte at most a step. */
enum {
    IDLE,
    PLAN,     /* count the rows that differ, as many as an entry holds */
    UNLIVE,   /* what is where the entry begins must not be LIVE before the entry is whole, */
    END_NEXT, /* nor what follows it */
    COUNT,
    FIND_ROW,
    ROW_BYTES,
    CHECK_HIGH, /* from here on the entry is as it will count, whatever the cells do */
    CHECK_LOW,
    COMMIT,
    TIDY, /* bring the journal home */
    TIDY_BYTES,
    FORMAT_BYTES, /* the same, but with first values */
    TIDY_CHECK_HIGH,
    TIDY_CHECK_LOW,
    TIDY_END
};

static void plan(void)
{
    hold();
    store.phase = PLAN;
    store.row = 0;
    store.column = 0;
    store.count = 0;
}

static void begin_tidy(void)
{
    store.row = 0;
    store.phase = TIDY;
}

static void begin_entry(void)
{
    store.row = 0;
    if (!store.count) {
        store.phase = store.tidies && !has_room(1) ? TIDY : IDLE;
    } else if (!has_room(store.count)) {
        store.phase = TIDY;
    } else {
        store.end = (uint16_t)(store.tail + entry_bytes(store.count));
        store.phase = UNLIVE;
    }
}

static void write_row_byte(void)
{
    uint8_t byte = store.column ? stream_byte((uint16_t)(store.row * CTL_ROW_BYTES + store.column - 1u)) : store.row;
    store.check = add_to_check(store.check, byte);
    put_journal(store.at++, byte);
    if (store.column++ == CTL_ROW_BYTES) {
        store.column = 0;
        store.row++;
        store.phase = --store.count ? FIND_ROW : CHECK_HIGH;
    }
}

static void tidy_step(void)
{
    uint16_t base = (uint16_t)(store.row * ROW_STEP);
    if (store.phase == TIDY) {
        store.at = find(store.row);
        store.check = add_to_check(0xFFFF, store.row);
        store.column = 0;
        if (store.row == store.image_rows) {
            store.phase = TIDY_END;
        } else if (store.at) {
            store.phase = TIDY_BYTES;
        } else {
            store.row++;
        }
    } else if (store.phase <= FORMAT_BYTES) {
        bool anew = store.phase == FORMAT_BYTES;
        uint8_t byte = anew ? stream_byte((uint16_t)(store.row * CTL_ROW_BYTES + store.column)) : journal(store.at++);
        store.check = add_to_check(store.check, byte);
        if (!anew || base + store.column) {
            put_byte((uint16_t)(base + store.column), byte);
        }
        if (++store.column == CTL_ROW_BYTES) {
            store.phase = TIDY_CHECK_HIGH;
        }
    } else if (store.phase == TIDY_CHECK_HIGH) {
        put_byte((uint16_t)(base + CTL_ROW_BYTES), (uint8_t)(store.check >> 8));
        store.phase = TIDY_CHECK_LOW;
    } else if (store.phase == TIDY_CHECK_LOW) {
        put_byte((uint16_t)(base + CTL_ROW_BYTES + 1u), (uint8_t)(store.check & 0xFFu));
        store.row++;
        store.phase = TIDY;
    } else {
        put_journal(0, END);
        store.tail = 0;
        plan();
    }
}

static void save_step(void)
{
    int8_t result;
    switch (store.phase) {
    case PLAN:
        result = compare_step();
        if (result >= 0) {
            store.count = (uint8_t)(store.count + result);
            if (++store.row == CTL_ROWS || store.count == CTL_ROWS_AT_ONCE) {
                begin_entry();
            }
        }
        break;
    case UNLIVE:
        if (journal(store.tail) == LIVE) {
            put_journal(store.tail, END);
        }
        store.phase = END_NEXT;
        break;
    case END_NEXT:
        if (journal(store.end) == LIVE) {
            put_journal(store.end, END);
        }
        store.phase = COUNT;
        break;
    case COUNT:
        store.check = add_to_check(add_to_check(0xFFFF, LIVE), store.count);
        store.at = (uint16_t)(store.tail + 2u);
        store.phase = FIND_ROW;
        put_journal((uint16_t)(store.tail + 1u), store.count);
        break;
    case FIND_ROW:
        result = compare_step();
        if (result > 0) {
            store.phase = ROW_BYTES;
        } else if (result == 0) {
            store.row++;
        }
        break;
    case ROW_BYTES:
        write_row_byte();
        break;
    case CHECK_HIGH:
        put_journal(store.at++, (uint8_t)(store.check >> 8));
        store.phase = CHECK_LOW;
        break;
    case CHECK_LOW:
        put_journal(store.at++, (uint8_t)(store.check & 0xFFu));
        store.phase = COMMIT;
        break;
    case COMMIT:
        put_journal(store.tail, LIVE);
        store.tail = store.end;
        store.image_rows = CTL_ROWS; /* until the first entry it may have been another layout's */
        plan();
        break;
    default:
        tidy_step();
        break;
    }
}

/* Go on with what is to be saved: a byte at most. True while there is more to do. */
bool ctl_store_step(void)
{
    if (!store.usable || hw_store_is_busy()) {
        return store.usable;
    }
#if CTL_HELD_BYTES
    if (store.held_changed && store.phase == IDLE) {
        store.changed = true;
    }
#endif
    if (store.changed && store.phase < CHECK_HIGH) {
        store.changed = false;
        plan();
    }
    if (store.phase == IDLE) {
        return false;
    }
    save_step();
    return true;
}

/* At power-on waiting for each byte does no harm. */
static void wait(void)
{
    while (hw_store_is_busy()) {
    }
}

static void wait_and_step(void)
{
    wait();
    save_step();
}

static void finish_save(void)
{
    plan();
    do {
        wait_and_step();
    } while (store.phase != IDLE);
    wait();
}

static void put_and_wait(uint16_t address, uint8_t byte)
{
    put_byte(address, byte);
    wait();
}

/* Write the image anew, from the last row to the first. Until the header, the first row, is whole there is nothing stored. */
static void format(void)
{
    hold();
    if (hw_stored(0) == MAGIC) {
        put_and_wait(0, END);
    }
    if (journal(0) == LIVE) {
        put_and_wait(journal_address(0), END);
    }
    for (uint8_t row = CTL_ROWS; row;) {
        store.row = --row;
        store.check = add_to_check(0xFFFF, row);
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
    while (place < LAST_ADDRESS && journal(place) == LIVE) {
        ctl_place_t end = (ctl_place_t)(place + (ctl_place_t)entry_bytes(journal((uint16_t)(place + 1u))));
        uint16_t check = 0xFFFF;
        if (end > LAST_ADDRESS) {
            break;
        }
        for (uint16_t at = place; at < end - CHECK_BYTES; at++) {
            check = add_to_check(check, journal(at));
        }
        if (journal((uint16_t)(end - 2u)) != check >> 8 || journal((uint16_t)(end - 1u)) != (check & 0xFFu)) {
            break;
        }
        place = (uint16_t)end;
    }
    store.tail = place;
}

/* A byte of the stream as it is stored, or -1 in a row whose checksum fails. */
static int16_t stored_byte(uint16_t place)
{
    uint8_t row = (uint8_t)(place / CTL_ROW_BYTES);
    if (row != store.row || !store.is_fetched) {
        store.row = row;
        store.is_whole = fetch(row);
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
    return fetch(0);
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
            if (byte >= 0 && byte != stream_byte(at)) {
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
                set_value(cell, which, distance);
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
    hold();
    store.row = 0;
    store.column = 0;
    while (store.row < CTL_ROWS) {
        int8_t result = compare_step();
        if (result >= 0) {
            moving = (uint8_t)(moving + result);
            store.row++;
        }
    }
    uint8_t rows = store.image_rows > CTL_ROWS ? store.image_rows : CTL_ROWS;
    if ((ctl_place_t)rows * ROW_STEP + entry_bytes(moving) >= CTL_STORAGE_BYTES) {
        return false;
    }
    if (store.tail) {
        begin_tidy();
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
