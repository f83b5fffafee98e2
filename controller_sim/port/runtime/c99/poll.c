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

void ctl_poll(void)
{
    uint32_t now_us = hw_now_us();
    /* One contact's change at a time, the lowest first: the next poll comes soon enough for the next, and none gets long. */
    ctl_switches_t changes = ctl.contacts ^ (ctl_switches_t)(hw_closed_contacts() ^ CTL_OPENING);
    changes &= (ctl_switches_t)(0u - changes);
    bool is_busy = ctl_advance(now_us, (ctl_switches_t)(ctl.contacts ^ changes));
#if CTL_AGES
    ctl_age();
#endif
#if CTL_PEDALS
    for (uint8_t pedal = 0; pedal < CTL_PEDALS; pedal++) {
        ctl_read_pedal(pedal, hw_read_pedal(pedal));
    }
#endif
#if CTL_HAS_MIDI_IN
    for (uint8_t port = CTL_SERIAL; port <= CTL_USB; port++) {
        int16_t byte;
        while ((byte = hw_receive(port)) >= 0) {
            ctl_receive(port, (uint8_t)byte);
            is_busy = true;
        }
    }
#endif
    if (is_busy || ctl.dirty) {
        ctl_look();
        /* What is no longer waited for must not disturb a poll in which nothing else happens: they are to be short. */
        if (ctl.is_soonest_unsure) {
            ctl_find_soonest();
        }
        return;
    }
#if CTL_HAS_STORAGE
    ctl_store_step();
#endif
}
