/* Saving kept cells, a byte a poll.
 *
 * A byte takes milliseconds, so a save is written one byte a poll, when the memory is not busy. Cells that change meanwhile
 * make the unfinished entry begin anew: nothing of it counts yet. Those that more than feet can change (the held ones) might
 * do so for ever: a save goes on with them as they were when it began, and the next one begins when it is done.
 */
#include "storage.h"

#if CTL_HAS_STORAGE
void ctl_plan_save(void)
{
    ctl_hold();
    store.phase = PLAN;
    store.row = 0;
    store.column = 0;
    store.count = 0;
    store.head = 0;
}

void ctl_begin_tidy(void)
{
    store.row = 0;
    store.phase = TIDY;
}

static void begin_entry(void)
{
    store.row = 0;
    if (!store.count) {
        store.phase = store.tidies && !ctl_has_room(1) ? TIDY : IDLE;
    } else if (!ctl_has_room(store.count)) {
        store.phase = TIDY;
    } else {
        store.end = (uint16_t)(store.tail + ctl_entry_bytes(store.count));
        store.phase = UNLIVE;
    }
}

static void write_row_byte(void)
{
    uint8_t byte = store.column ? ctl_stream_byte((uint16_t)(store.row * CTL_ROW_BYTES + store.column - 1u)) : store.row;
    store.check = ctl_add_to_check(store.check, byte);
    ctl_put_journal(store.at++, byte);
    if (store.column < CTL_ROW_BYTES) {
        store.column++;
        return;
    }
    store.column = 0;
    store.row++;
    store.phase = --store.count ? FIND_ROW : CHECK_HIGH;
}

static void tidy_step(void)
{
    uint16_t base = (uint16_t)(store.row * ROW_STEP);
    if (store.phase == TIDY) {
        if (!ctl_find_row(store.row)) {
            return;
        }
        store.at = store.found;
        store.check = ctl_add_to_check(0xFFFF, store.row);
        if (store.row == store.image_rows) {
            store.phase = TIDY_END;
        } else if (store.at) {
            store.phase = TIDY_BYTES;
        } else {
            store.row++;
        }
    } else if (store.phase <= FORMAT_BYTES) {
        bool anew = store.phase == FORMAT_BYTES;
        uint8_t byte = anew ? ctl_stream_byte((uint16_t)(store.row * CTL_ROW_BYTES + store.column)) : ctl_journal(store.at++);
        store.check = ctl_add_to_check(store.check, byte);
        if (!anew || base + store.column) {
            ctl_put_byte((uint16_t)(base + store.column), byte);
        }
        if (++store.column >= CTL_ROW_BYTES) {
            store.column = 0;
            store.phase = TIDY_CHECK_HIGH;
        }
    } else if (store.phase == TIDY_CHECK_HIGH) {
        ctl_put_byte((uint16_t)(base + CTL_ROW_BYTES), (uint8_t)(store.check >> 8));
        store.phase = TIDY_CHECK_LOW;
    } else if (store.phase == TIDY_CHECK_LOW) {
        ctl_put_byte((uint16_t)(base + CTL_ROW_BYTES + 1u), (uint8_t)(store.check & 0xFFu));
        store.row++;
        store.phase = TIDY;
    } else {
        ctl_put_journal(0, END);
        store.tail = 0;
        ctl_plan_save();
    }
}

void ctl_save_step(void)
{
    int8_t result;
    switch (store.phase) {
    case PLAN:
        result = ctl_compare_step();
        if (result >= 0) {
            store.count = (uint8_t)(store.count + result);
            if (++store.row == CTL_ROWS || store.count == CTL_ROWS_AT_ONCE) {
                begin_entry();
            }
        }
        break;
    case UNLIVE:
        if (ctl_journal(store.tail) == LIVE) {
            ctl_put_journal(store.tail, END);
        }
        store.phase = END_NEXT;
        break;
    case END_NEXT:
        if (ctl_journal(store.end) == LIVE) {
            ctl_put_journal(store.end, END);
        }
        store.phase = COUNT;
        break;
    case COUNT:
        store.check = ctl_add_to_check(ctl_add_to_check(0xFFFF, LIVE), store.count);
        store.at = (uint16_t)(store.tail + 2u);
        store.phase = FIND_ROW;
        ctl_put_journal((uint16_t)(store.tail + 1u), store.count);
        break;
    case FIND_ROW:
        result = ctl_compare_step();
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
        ctl_put_journal(store.at++, (uint8_t)(store.check >> 8));
        store.phase = CHECK_LOW;
        break;
    case CHECK_LOW:
        ctl_put_journal(store.at++, (uint8_t)(store.check & 0xFFu));
        store.phase = COMMIT;
        break;
    case COMMIT:
        ctl_put_journal(store.tail, LIVE);
        store.tail = store.end;
        store.image_rows = CTL_ROWS; /* until the first entry it may have been another layout's */
        ctl_plan_save();
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
        ctl_plan_save();
    }
    if (store.phase == IDLE) {
        return false;
    }
    ctl_save_step();
    return true;
}
#endif
