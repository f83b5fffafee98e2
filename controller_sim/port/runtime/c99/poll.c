/* The main program's side: one look at the hardware. */
#include "controller.h"

#include "state.h"

bool ctl_status_is_running(uint8_t status)
{
#if CTL_RUNNING_STATUS
    static uint8_t running;
    bool same = status == running;
    if (status < 0xF8) {
        running = status < 0xF0 ? status : 0;
    }
    return same && status < 0xF0;
#else
    (void)status;
    return false;
#endif
}

void ctl_power_on(void)
{
#if CTL_HAS_CELLS
    ctl_take_first_values();
#endif
#if CTL_HAS_STORAGE
    ctl_store_power_on();
#endif
    ctl_start(hw_now_us());
}

#if CTL_HAS_MIDI_IN
/* The next byte that has come in, if there is one. */
static bool take_byte(void)
{
    for (uint8_t port = CTL_SERIAL; port <= CTL_USB; port++) { /* at most 2 rounds */
        int16_t byte = hw_receive(port);
        if (byte >= 0) {
            ctl_receive(port, (uint8_t)byte);
            return true;
        }
    }
    return false;
}
#endif

/* What takes turns when no contact changes and no byte comes in, or one was taken just before: each pedal, and the storage. */
#define OTHERS (CTL_PEDALS + CTL_HAS_STORAGE)

#if OTHERS
static void take_turn(void)
{
#if CTL_PEDALS
    static uint8_t turn;
    uint8_t number = turn;
    turn = (uint8_t)(number + 1u < OTHERS ? number + 1u : 0u);
    if (number < CTL_PEDALS) {
        //@ split number;
        ctl_read_pedal(number, hw_read_pedal(number));
        //@ merge number;
        return;
    }
#endif
#if CTL_HAS_STORAGE
    ctl_store_step();
#endif
}
#endif

/* One thing at a time, so that no poll gets long: what is due or was put off, one after another, each counted at its own time; when
 * nothing is, one contact's change, the lowest first; and when there is none, one of the other inputs. */
void ctl_poll(void)
{
    uint32_t now_us = hw_now_us(), due_us = ctl_due_us();
#if CTL_PRESSES_END
    if (ctl.pressing) {
        ctl_press_on();
        return;
    }
#endif
#if CTL_HAS_CLOCK
    if (ctl.clock_is_old) {
        ctl_retime_clock();
        return;
    }
#endif
    if (ctl.dirty && due_us != ctl.now_us) {
        ctl_look();
        return;
    }
    /* What is no longer waited for must not wake a poll in which nothing else happens: they are to be the shortest. */
    if (ctl.is_soonest_unsure) {
        ctl_find_soonest();
        return;
    }
    if (!ctl_before(now_us, due_us)) {
        ctl_happen();
        return;
    }
    ctl_switches_t changes = ctl.contacts ^ (ctl_switches_t)(hw_closed_contacts() ^ CTL_OPENING);
    changes &= (ctl_switches_t)(0u - changes);
    ctl_take_contacts(now_us, ctl.contacts ^ changes);
    if (changes) {
        return;
    }
#if CTL_AGES
    ctl_age();
#endif
#if CTL_HAS_MIDI_IN
    static bool has_taken;
    has_taken = !has_taken && take_byte();
    if (has_taken) {
        return;
    }
#endif
#if OTHERS
    take_turn();
#endif
}
