#ifndef SETTINGS_H
#define SETTINGS_H

/* What the commands set: times in ticks, defaults and ranges as in COMMANDS.md. */

#include <stdbool.h>
#include <stdint.h>

#include "ticks.h"

enum pattern {
	PATTERN_PERIODIC,
	PATTERN_UNIFORM,
	PATTERN_EXPONENTIAL,
};

struct settings {
	uint32_t period, width, floor, spread;
	uint32_t count, seed;
	uint8_t pattern;
	bool inverted, output_on;
};

#define PERIOD_LEAST TICKS_FROM_US(200)
#define PERIOD_MOST (60 * TICKS_PER_SECOND)
#define WIDTH_LEAST TICKS_FROM_US(30) /* shorter, and a late interrupt would miss the trailing edge */
#define WIDTH_MOST (10 * TICKS_PER_MS)
#define INTERVAL_LEAST TICKS_FROM_US(100)
#define REST_LEAST TICKS_FROM_US(50) /* from a trailing to the next leading edge */

extern struct settings settings;

void settings_reset(void);

/* Whether the settings go together, so that a run may start. */
bool settings_agree(void);

#endif
