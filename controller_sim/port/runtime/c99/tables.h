/* The tables and functions of a design, which design.c has. */
#ifndef CTL_TABLES_H
#define CTL_TABLES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "design.h"
#include "flash.h"

#define CTL_NO_MODE 0xFFu
#define CTL_NOBODY 0xFFu

/* The first keys are the switches; small chips read a table faster than they shift. */
#define CTL_BIT(s) (ctl_masks[s])

/* What a table says where nothing is bound; binding n is n + 1, and above CTL_BINDINGS come places in ctl_alternatives. */
#define CTL_NOTHING 0u

/* What is bound to a key in a mode. */
struct ctl_row {
#if CTL_HAS_PRESS
    ctl_choice_t press;
#endif
#if CTL_HAS_RELEASE
    ctl_choice_t release;
#endif
#if CTL_HAS_TAP
    ctl_choice_t tap;
#endif
#if CTL_REPEAT_KEYS
    ctl_choice_t repeat;
#endif
#if CTL_DOUBLE_KEYS
    ctl_choice_t twice;
#endif
#if CTL_HOLD_KEYS
    ctl_choice_t first_hold; /* in ctl_holds, up to end_hold */
    ctl_choice_t end_hold;
#endif
};

struct ctl_hold {
    uint32_t hold_us;
    ctl_choice_t choice;
};

/* One of several bindings for the same gesture: bound when one of `conditions` holds, or always if there are none. */
struct ctl_alternative {
    ctl_conditions_t conditions;
    ctl_choice_t binding; /* CTL_NOTHING ends the list */
};

/* A chord of a mode. */
struct ctl_chord {
    uint8_t key;
    bool always; /* bound whatever the conditions are */
    ctl_conditions_t conditions;
};

/* A mode's share of a table. */
struct ctl_part {
    ctl_part_t first;
    ctl_part_t count;
};

struct ctl_timer {
    uint32_t period_us;
    bool every;
};

/* Bytes in struct ctl_cells. */
struct ctl_range {
    ctl_offset_t offset;
    ctl_offset_t size;
};

/* From the repeat numbered `from` on the period is this. */
struct ctl_repeat_step {
    uint16_t from;
    uint32_t period_us;
};

/* A pedal: the inner ends of its dead zones, and `steps` + 1 points of its curve from `first_point` in ctl_points. */
struct ctl_pedal_setting {
    uint16_t heel;
    uint16_t toe;
    uint16_t first_point;
    uint8_t steps;
    bool moves_first;
    uint16_t hysteresis;
    uint32_t every_us;
};

struct ctl_move {
    uint8_t pedal;
    ctl_conditions_t condition; /* 0: none */
    uint16_t response;
};

struct ctl_heard {
    uint8_t status;
    uint8_t ports;
    uint8_t values;       /* how many it has, each in its range from `first_range` on */
    bool is_pair;         /* the values are those of a pair of controllers: the upper's number, and what both make */
    uint16_t first_range; /* in ctl_value_ranges */
    ctl_conditions_t condition; /* 0: none */
    uint16_t response;
};

struct ctl_value_range {
    int16_t low, high;
};

/* The upper half of a pair of controllers of 14 bits that something responds to. */
struct ctl_pair {
    uint8_t status;
    uint8_t number;
};

struct ctl_thru {
    uint8_t source;
    uint8_t ports;
    uint32_t kinds; /* bit n: messages of kind n, 0 note-off .. 6 pitch wheel, 7 SysEx .. 22 reset */
};

#if CTL_HAS_STORAGE
/* A kept value, or its distance from the low end of its range, modulo what the type holds. */
#if CTL_STORED_SIZES & 4
typedef uint32_t ctl_stored_t;
#elif CTL_STORED_SIZES & 2
typedef uint16_t ctl_stored_t;
#else
typedef uint8_t ctl_stored_t;
#endif

/* A kept cell in the stream of bytes that is stored. */
struct ctl_stored_cell {
    uint16_t number; /* made of its name, range and shape; with the length after it this is its label */
    uint16_t length; /* bytes of its values */
    ctl_stored_t span; /* from its low end to its high end */
    ctl_stored_t low;  /* modulo what the type holds */
    uint16_t place;  /* of its first value in the stream */
    ctl_offset_t offset; /* in struct ctl_cells */
#if CTL_STORED_SIZES != 1
    uint8_t width;   /* stored bytes a value */
    uint8_t size;    /* bytes a value in struct ctl_cells */
    bool is_signed;
#endif
};
#endif

/* The design's tables (design.c). */
extern const CTL_FLASH ctl_switches_t ctl_masks[CTL_KEYS];
extern const CTL_FLASH ctl_row_number_t ctl_row_of[CTL_MODES][CTL_KEYS];
extern const CTL_FLASH struct ctl_row ctl_rows[];
#if CTL_HOLD_KEYS
extern const CTL_FLASH struct ctl_hold ctl_holds[];
extern const CTL_FLASH uint8_t ctl_hold_place[CTL_KEYS];
#endif
#if CTL_REPEAT_KEYS
extern const CTL_FLASH struct ctl_repeat_step ctl_repeat_steps[];
extern const CTL_FLASH uint8_t ctl_repeat_place[CTL_KEYS];
#endif
#if CTL_DOUBLE_KEYS
extern const CTL_FLASH uint8_t ctl_double_place[CTL_KEYS];
#endif
#if CTL_HOLD_KEYS + CTL_REPEAT_KEYS + CTL_DOUBLE_KEYS
extern const CTL_FLASH uint8_t ctl_slot_key[]; /* from CTL_HOLD_SLOT on */
#endif
#if CTL_HAS_CONDITIONS
extern const CTL_FLASH struct ctl_alternative ctl_alternatives[];
ctl_conditions_t ctl_read_conditions(void);
#endif
#if CTL_HAS_CHORDS
extern const CTL_FLASH struct ctl_chord ctl_chords[];
extern const CTL_FLASH struct ctl_part ctl_mode_chords[CTL_MODES];
#endif
#if CTL_HAS_EAGER
bool ctl_is_eager(ctl_choice_t binding);
#endif
#if CTL_TIMERS
extern const CTL_FLASH struct ctl_timer ctl_timers[];
extern const CTL_FLASH struct ctl_part ctl_mode_timers[CTL_MODES];
void ctl_run_timer(uint8_t mode, uint8_t timer);
#endif
#if CTL_DRAFT_BYTES
extern const CTL_FLASH struct ctl_range ctl_drafts[];
extern const CTL_FLASH struct ctl_part ctl_mode_drafts[CTL_MODES];
extern const CTL_FLASH bool ctl_draft_saves[CTL_MODES];
#endif
#if CTL_HAS_CANCELLING_MODES
extern const CTL_FLASH bool ctl_delayed_cancels[CTL_MODES];
#endif
#if CTL_HAS_CELLS
extern struct ctl_cells cells;
#endif

#if CTL_PEDALS
extern const CTL_FLASH struct ctl_pedal_setting ctl_pedals[CTL_PEDALS];
extern const CTL_FLASH int16_t ctl_points[];
#endif
#if CTL_MOVES
extern const CTL_FLASH struct ctl_move ctl_moves[];
extern const CTL_FLASH struct ctl_part ctl_mode_moves[CTL_MODES];
#endif
#if CTL_HEARD
extern const CTL_FLASH struct ctl_heard ctl_heard[];
extern const CTL_FLASH struct ctl_part ctl_mode_heard[CTL_MODES];
extern const CTL_FLASH struct ctl_value_range ctl_value_ranges[];
#endif
#if CTL_PAIRS
extern const CTL_FLASH struct ctl_pair ctl_pairs[CTL_PAIRS];
#endif
#if CTL_THRU
extern const CTL_FLASH struct ctl_thru ctl_thru[CTL_THRU];
#endif

#if CTL_HAS_STORAGE
extern const CTL_FLASH uint8_t ctl_storage_header[7];
extern const CTL_FLASH struct ctl_stored_cell ctl_stored_cells[CTL_STORED_CELLS];
#endif

/* The design's actions (design.c). */
#if CTL_RESPONSES
void ctl_run_response(uint16_t response, const int16_t values[]);
#endif
void ctl_run_binding(ctl_choice_t binding);
void ctl_run_enter(void);
void ctl_run_leave(void);
#if CTL_HAS_CELLS
void ctl_take_first_values(void);
#if CTL_HAS_RESTART
void ctl_take_unkept_values(void);
#endif
#endif
void ctl_run_power_on(ctl_switches_t down);
#if CTL_TEXT_BYTES
void ctl_put_display(void);
#endif
#if CTL_LEDS
void ctl_read_leds(uint8_t values[]);
#endif

#endif
