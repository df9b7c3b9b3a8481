#ifndef ARRIVALS_H
#define ARRIVALS_H

/* The intervals between stimuli, bit for bit as COMMANDS.md lays them down. */

#include <stdint.h>

#include "settings.h"

/* Starts the pattern afresh from its seed. */
void arrivals_start(const struct settings *settings);

/* The next interval in ticks. */
interval_t arrivals_next(void);

#endif
