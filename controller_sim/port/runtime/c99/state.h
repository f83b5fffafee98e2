/* The state of the controller, and what the parts of the runtime offer each other and the design's own functions. */
#ifndef CTL_STATE_H
#define CTL_STATE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "arithmetic.h"
#include "hardware.h"
#include "tables.h"

/* Where nothing is waited for, a look is taken all the same before half a round of the counter has gone by. */
#define CTL_FAR_US 1073741824u

/* Whether a press may have to end what waits before it begins, in polls of their own. */
#ifdef CTL_AT_ONCE
#define CTL_PRESSES_END 0
#else
#define CTL_PRESSES_END (CTL_HAS_CHORDS || CTL_DOUBLE_KEYS)
#endif

/* Whether the design looks back at times that may be long gone. */
#define CTL_AGES (CTL_HAS_TAP_TEMPO || CTL_FOLLOW || CTL_ECHO_US || CTL_PRESS_LOCKOUT_US || CTL_RELEASE_LOCKOUT_US)

/* So often a part of what is old is looked for: no time that is kept may grow older than half the counter's round (36 minutes). */
#define CTL_AGE_US 16777216u

/* Deadlines: one slot for each thing that can be waited for, in the order of equal deadlines. */
enum {
    CTL_POWER_ON_SLOT = 0,
    CTL_GROUP_SLOT = 1,
    CTL_HOLD_SLOT = 2,
    CTL_REPEAT_SLOT = CTL_HOLD_SLOT + CTL_HOLD_KEYS,
    CTL_GAP_SLOT = CTL_REPEAT_SLOT + CTL_REPEAT_KEYS,
    CTL_TIMER_SLOT = CTL_GAP_SLOT + CTL_DOUBLE_KEYS,
    CTL_DELAYED_SLOT = CTL_TIMER_SLOT + CTL_TIMERS,
    CTL_CLOCK_SLOT = CTL_DELAYED_SLOT + CTL_HAS_DELAYED,
    CTL_NOTICE_SLOT = CTL_CLOCK_SLOT + CTL_HAS_CLOCK,
    CTL_PEDAL_SLOT = CTL_NOTICE_SLOT + CTL_HAS_NOTICES,
    CTL_SLOTS = CTL_PEDAL_SLOT + CTL_PEDALS
};

enum { CTL_ARMED = 1 };

struct ctl_deadline {
    uint32_t due_us;
    uint8_t state; /* CTL_ARMED: it is waited for; contacts know more states */
};

struct ctl_message {
    uint8_t ports;
    uint8_t count;
    uint8_t bytes[CTL_DELAYED_BYTES];
};

struct ctl_delayed {
    uint32_t due_us;
    uint8_t mode; /* whose end cancels it, or CTL_NO_MODE */
    struct ctl_message message;
};

/* A message that left and may come back. */
struct ctl_sent {
    uint32_t at_us;
    uint8_t ports; /* 0: forgotten */
    uint8_t count;
    uint8_t bytes[CTL_ECHO_BYTES];
};

enum { CTL_LIVE = 1, CTL_OWING = 2, CTL_LAPSING = 4 };

struct ctl_key {
    uint32_t at_us; /* when it was pressed */
    uint8_t flags;
#if CTL_HAS_RELEASE
    ctl_choice_t owed; /* while CTL_OWING: the release that fires when it goes up */
#endif
#if CTL_HAS_CONDITIONS
    ctl_conditions_t conditions; /* those that held when its first switch went down */
#endif
};

enum { CTL_IDLE = 0, CTL_WAITING = 1, CTL_SECOND_PRESS = 2 };

/* A tap that waits to become a double. */
struct ctl_wait {
    uint32_t at_us;
    uint8_t state;
    ctl_choice_t tap;
    ctl_choice_t twice;
#ifdef CTL_TRACE
    ctl_switches_t unanswered;
#endif
};

struct ctl_pedal {
    int16_t position;
    int16_t told; /* where it stood at its last move, if it has_moved */
    uint16_t held; /* the last reading that counted, if it is_read */
    bool is_read;
    bool has_moved;
};

struct ctl_parser {
    uint8_t status; /* the running or present one, 0: none */
    uint8_t count;  /* of the bytes that are there of a message, CTL_PARSER_BYTES at most */
    uint8_t bytes[CTL_PARSER_BYTES];
};

#if CTL_HAS_STORAGE
/* How far a save has come (storage.c). */
struct ctl_stored {
    bool usable;
    bool changed; /* kept cells may have changed since it was looked for rows to write */
#if CTL_HELD_BYTES
    bool held_changed; /* held ones may */
    uint8_t held[CTL_HELD_BYTES]; /* the first of the cells, as they are being saved */
#endif
    bool tidies;  /* whether a full journal is brought home after a save */
    bool is_fetched, is_whole; /* the row in row_bytes, at power-on */
    uint8_t phase;
    uint8_t row, column; /* a column is CTL_ROW_BYTES at most */
    uint8_t count; /* rows of the entry that are yet to be written, CTL_ROWS_AT_ONCE at most */
    uint8_t image_rows;
    uint16_t tail; /* where the journal ends, below CTL_STORAGE_BYTES */
    uint16_t at, end;
    uint16_t head, found; /* where in the journal a row is looked for, 0: not begun; where it stands there */
    uint8_t left; /* rows of the entry at `head` that are yet to be looked at */
    uint16_t check;
    uint8_t row_bytes[CTL_ROW_BYTES];
};
#endif

enum { CTL_NOT_RESTARTING = 0, CTL_ASKED_TO_RESTART = 1, CTL_RESTARTING = 2 };

struct ctl_state {
    uint32_t now_us;     /* the instant that is being handled */
    uint32_t soonest_us; /* not later than the first armed deadline */
    uint8_t is_soonest_unsure; /* not 0: it may be earlier than that */
    ctl_switches_t contacts; /* as last seen */
    uint8_t changes; /* counts the changes of mode: whoever sees another number after an action has been wiped */
#if CTL_LEDS
    uint8_t leds[CTL_LEDS];
#endif
#if CTL_TEXT_BYTES
    char shown[CTL_TEXT_BYTES + 1];
    char *text; /* where the next character goes, in `shown` or a notice, which hold the longest text */
    bool text_differs;
#endif
#if CTL_HAS_STORAGE
    struct ctl_stored stored;
#endif

    /* From here on all is 0 at power-on and after a restart, or set by begin() in modes.c. */
    struct ctl_deadline deadlines[CTL_SLOTS];

#if CTL_AGES
    uint32_t aged_us; /* when what is old was looked for last, and for which part next */
    uint8_t aging;
#endif

    ctl_switches_t level;    /* the debounced switches that are down */
#if CTL_PRESSES_END
    uint8_t pressing; /* the switch + 1 of a press that has not yet begun, or 0 */
#endif
    ctl_switches_t postponed; /* edges whose wait is over, to be handled after the releases of the instant */
    uint32_t waking_us;      /* not later than the first of contact_waits */
    struct ctl_deadline contact_waits[CTL_SWITCHES]; /* when a contact will have settled, or will be believed again */

    struct ctl_key keys[CTL_KEYS];
#ifdef CTL_TRACE
    ctl_switches_t answered; /* switches whose press has fired something though their key is live or not yet formed */
    ctl_switches_t arriving; /* the switch whose press is being handled but that is not in a group or key yet */
#endif
#if CTL_HOLD_KEYS
    ctl_choice_t awaited_hold[CTL_HOLD_KEYS]; /* the one in ctl_holds that a key waits for, or waited for last */
#endif
#if CTL_REPEAT_KEYS
    uint16_t repeats[CTL_REPEAT_KEYS];
#endif
#if CTL_DOUBLE_KEYS
    struct ctl_wait taps[CTL_DOUBLE_KEYS];
#endif
#if CTL_HAS_CHORDS
    uint8_t owner[CTL_SWITCHES]; /* the key that a switch is part of, or CTL_NOBODY */
    ctl_switches_t group;        /* switches that may still become a chord */
    ctl_switches_t group_held;   /* those that were down before its first press: no chord is made of them */
    uint8_t group_order[CTL_SWITCHES];
    uint8_t group_size; /* CTL_SWITCHES at most */
#endif
#if CTL_HAS_CHORDS || CTL_HAS_EAGER
    uint32_t pressed_us[CTL_SWITCHES];
#endif
#if CTL_HAS_CONDITIONS
    ctl_conditions_t group_conditions;
#endif
#if CTL_HAS_EAGER
    ctl_switches_t eager_fired;
    ctl_choice_t eager_release[CTL_SWITCHES];
#endif

    uint8_t mode; /* below CTL_MODES; CTL_NO_MODE before the first */
    uint8_t next_mode; /* CTL_NO_MODE but while an action runs */
    bool dirty;      /* display and LEDs may show something else */
#if CTL_HAS_RESTART
    uint8_t restarting;
#endif
#if CTL_DRAFT_BYTES
    bool drafting;
    uint8_t snapshot[CTL_DRAFT_BYTES];
#endif
#if CTL_HAS_NOTICES
    bool noticing;
    char notice[CTL_TEXT_BYTES + 1];
#endif
#if CTL_HAS_DELAYED
    uint8_t delayed_count; /* CTL_DELAYED_MESSAGES at most */
    struct ctl_delayed delayed[CTL_DELAYED_MESSAGES];
#endif
#if CTL_HAS_TEMPO
    uint16_t tempo;       /* beats a minute, rounded */
    uint32_t quarter_us;  /* so many microseconds are quarter_parts quarter notes */
    uint16_t quarter_parts;
#endif
#if CTL_HAS_CLOCK
    bool clock_running;
    bool clock_ticked;
#ifndef CTL_AT_ONCE
    bool clock_is_old; /* a tempo was set by which it does not yet go */
#endif
    uint32_t tick_us; /* the next tick lies at tick_us + tick_rest / (24 * quarter_parts), rounded */
    uint16_t tick_rest;
    uint32_t tick_length_us; /* of one tick, and what is left over, in the same parts; 0: of this tempo not yet known */
    uint16_t tick_left;
    uint32_t last_tick_us;
#endif
#if CTL_HAS_TAP_TEMPO
    uint32_t gesture_us; /* when the key was pressed whose gesture runs now */
    bool tapped;
    bool tap_outlier;
    uint32_t tapped_us;
    uint8_t tap_count; /* CTL_TAP_INTERVALS at most */
    uint32_t tap_intervals_us[CTL_TAP_INTERVALS];
#endif
#if CTL_FOLLOW
    bool heard_tick;
    uint8_t beat_ticks;
    uint32_t heard_tick_us;
    uint32_t beat_us;
#endif
#if CTL_PEDALS
    struct ctl_pedal pedals[CTL_PEDALS];
#endif
#if CTL_HAS_MIDI_IN
    struct ctl_parser parsers[2];
#endif
#if CTL_PAIRS
    uint8_t uppers[CTL_PAIRS][2]; /* the last upper half at each port, and 1; 0: none yet */
    bool heard_pair;
    int16_t pair[2];
#endif
#if CTL_ECHO_US
    uint8_t sent_next; /* below CTL_MOST_ECHOES */
    struct ctl_sent sent[CTL_MOST_ECHOES];
#endif
};

extern struct ctl_state ctl;

/* deadlines.c */
bool ctl_before(uint32_t a_us, uint32_t b_us);
void ctl_arm(uint8_t slot, uint32_t due_us);
void ctl_disarm(uint8_t slot);
void ctl_find_soonest(void);
void ctl_arm_one(struct ctl_deadline *deadline, uint32_t due_us, uint32_t *first_us);
uint32_t ctl_first(const struct ctl_deadline *deadline, uint8_t count);
void ctl_time_out(void);
#if CTL_AGES
void ctl_age(void);
#endif

/* contacts.c */
uint32_t ctl_due_us(void);
void ctl_happen(void);
void ctl_take_contacts(uint32_t now_us, ctl_switches_t contacts);
#ifdef CTL_AT_ONCE
void ctl_advance(uint32_t now_us, ctl_switches_t contacts);
#endif
#if CTL_PRESS_LOCKOUT_US || CTL_RELEASE_LOCKOUT_US
void ctl_forget_lockout(uint8_t s);
#endif

/* chords.c */
bool ctl_is_makeable(const CTL_FLASH struct ctl_chord *chord);
uint8_t ctl_chord_with(ctl_switches_t switches, ctl_switches_t except);
void ctl_partition(uint8_t formed[]);

/* recogniser.c */
void ctl_key_pressed(uint8_t s);
#if CTL_PRESSES_END
void ctl_press_on(void);
#endif
void ctl_key_released(uint8_t s);
void ctl_close_group(void);
void ctl_key_timed_out(uint8_t slot);
void ctl_wipe(void);
void ctl_pay_releases(void);

/* modes.c */
void ctl_start(uint32_t now_us);
void ctl_settled(void);
void ctl_follow(void);
void ctl_look(void);
void ctl_enter(uint8_t mode);
#if CTL_TIMERS
void ctl_timer_timed_out(uint8_t timer);
void ctl_restart_timer(uint8_t timer);
#endif
#if CTL_DRAFT_BYTES
void ctl_save_draft(void);
void ctl_cancel_draft(void);
uint8_t *ctl_in_snapshot(ctl_offset_t offset);
bool ctl_changed(ctl_offset_t offset, ctl_offset_t size);
bool ctl_draft_changed(void);
void ctl_renew_draft(ctl_offset_t offset, ctl_offset_t size);
#define CTL_CELL_CHANGED(cell) ctl_changed(offsetof(struct ctl_cells, cell), sizeof cells.cell)
#define CTL_ELEMENT_CHANGED(cell, index) \
    ctl_changed((ctl_offset_t)(offsetof(struct ctl_cells, cell) + (ctl_offset_t)(index) * sizeof cells.cell[0]), sizeof cells.cell[0])
#endif
#if CTL_HAS_RESTART
void ctl_restart(void);
#endif

/* recovery.c, storage.c */
#if CTL_HAS_STORAGE
bool ctl_store_power_on(void);
bool ctl_store_step(void);
#define CTL_KEPT_CHANGED() (ctl.stored.changed = true)
#define CTL_HELD_CHANGED() (ctl.stored.held_changed = true)
#else
#define CTL_KEPT_CHANGED() ((void)0)
#endif

/* show.c */
#if CTL_TEXT_BYTES
void ctl_put_text(const CTL_FLASH char *text);
void ctl_put_name(const CTL_FLASH char *names, uint8_t which);
void ctl_put_number(ctl_number_t value, uint8_t width, char fill);
#endif
#if CTL_HAS_NOTICES
void ctl_begin_notice(void);
void ctl_end_notice(uint32_t duration_us);
#endif
void ctl_show(void);
#if CTL_HAS_RESTART
void ctl_darken(void);
#endif

/* messages.c */
void ctl_send1(uint8_t ports, uint8_t status);
void ctl_send2(uint8_t ports, uint8_t status, uint8_t first);
void ctl_send3(uint8_t ports, uint8_t status, uint8_t first, uint8_t second);
void ctl_send_all(const CTL_FLASH uint8_t *table, uint8_t bytes);
void ctl_send_bytes(uint8_t ports, const uint8_t *bytes, uint8_t count);
#if CTL_HAS_DELAYED
void ctl_send_later(uint32_t delay_us, uint8_t ports, const uint8_t *bytes, uint8_t count);
void ctl_send_due(void);
void ctl_hasten(uint8_t ports, const uint8_t *bytes, uint8_t count);
void ctl_cancel_delayed(uint8_t mode);
#endif

#if CTL_ECHO_US
bool ctl_is_echo(uint8_t port, const uint8_t *bytes, uint8_t count);
void ctl_forget_echo(uint8_t i);
#endif

/* tempo.c */
#if CTL_HAS_TEMPO
void ctl_start_tempo(void);
void ctl_set_tempo(int16_t beats);
#endif
#if CTL_HAS_CLOCK
void ctl_run_clock(bool running);
#ifndef CTL_AT_ONCE
void ctl_retime_clock(void);
#endif
void ctl_tick(void);
#endif
#if CTL_HAS_TAP_TEMPO
void ctl_tap_tempo(void);
void ctl_forget_taps(void);
#endif

#if CTL_FOLLOW
void ctl_hear_tick(void);
void ctl_forget_ticks(void);
#endif

/* arrivals.c */
#if CTL_PEDALS
void ctl_start_pedals(void);
void ctl_read_pedal(uint8_t p, uint16_t raw);
void ctl_pedal_rested(uint8_t p);
#endif
#if CTL_HAS_MIDI_IN
void ctl_receive(uint8_t port, uint8_t byte);
#endif

#ifdef CTL_TRACE
#define CTL_HAPPENED(kind, what) hw_happened((kind), (uint16_t)(what))
#define CTL_ANSWERED(response, values, count) hw_answered((response), (values), (count))
/* What keeps the accounts of presses: which of them ended without anything having fired. */
#define CTL_ACCOUNT(statement) statement
#else
#define CTL_HAPPENED(kind, what) ((void)0)
#define CTL_ANSWERED(response, values, count) ((void)(count))
#define CTL_ACCOUNT(statement) ((void)0)
#endif

#ifdef CTL_HOST
void host_list_cells(int32_t *values);
void host_list_kept(int32_t *values);
void host_set_kept(const int32_t *values);
#endif

enum { CTL_UNBOUND = 0, CTL_CANCELLED = 1, CTL_SPENT = 2 };

#endif
