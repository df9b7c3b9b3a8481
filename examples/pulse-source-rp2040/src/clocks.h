#ifndef CLOCKS_H
#define CLOCKS_H

/* The crystal, the system clock of 125 MHz made from it, and the microsecond tick. */

#include <stdbool.h>

void clocks_start(void);

/* Resets the chip unless fed for half a second. */
void watchdog_start(void);
void watchdog_feed(void);

/* Whether the watchdog was the reason for the last reset. */
bool watchdog_was_reason(void);

#endif
