/* What the files about storage share: how the memory is divided, and how far a save has come. */
#ifndef CTL_STORAGE_H
#define CTL_STORAGE_H

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

/* Values in struct ctl_cells have as many bytes as their ranges need; only the sizes that there are cost anything. */
#if CTL_STORED_SIZES == 1
#define WIDTH(cell) 1u
#define SIZE(cell) 1u
#else
#define WIDTH(cell) ((cell)->width)
#define SIZE(cell) ((cell)->size)
#endif

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

/* image.c */
uint16_t ctl_add_to_check(uint16_t check, uint8_t byte);
uint16_t ctl_journal_address(uint16_t place);
uint8_t ctl_journal(uint16_t place);
void ctl_put_byte(uint16_t address, uint8_t byte);
void ctl_put_journal(uint16_t place, uint8_t byte);
uint16_t ctl_entry_bytes(uint8_t rows);
void ctl_set_kept(const CTL_FLASH struct ctl_stored_cell *cell, uint16_t which, ctl_stored_t distance);
void ctl_hold(void);
uint8_t ctl_stream_byte(uint16_t place);
bool ctl_find_row(uint8_t row);
bool ctl_fetch_row(uint8_t row);
int8_t ctl_compare_step(void);
bool ctl_has_room(uint8_t rows);

/* storage.c */
void ctl_plan_save(void);
void ctl_begin_tidy(void);
void ctl_save_step(void);
#endif

#endif
