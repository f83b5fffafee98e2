/* What a main program calls.
 *
 *     ctl_power_on();
 *     for (;;) {
 *         ctl_poll();
 *     }
 *
 * Poll as often as you can: what happens at a time happens at the first poll that sees it, and carries on as if it had
 * happened at its own time. Each poll does one thing, what comes together the next few. Polls must not be further apart
 * than four minutes.
 */
#ifndef CTL_CONTROLLER_H
#define CTL_CONTROLLER_H

#include "design.h"

/* Whether the serial port may leave out this status byte, as the design wants it (running status). */
bool ctl_status_is_running(uint8_t status);

void ctl_power_on(void);
void ctl_poll(void);

#endif
