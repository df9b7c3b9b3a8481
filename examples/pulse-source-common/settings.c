#include "settings.h"

struct settings settings;

void settings_reset(void)
{
	settings.period = 5 * TICKS_PER_MS;
	settings.width = TICKS_FROM_US(50);
	settings.floor = 1 * TICKS_PER_MS;
	settings.spread = 1 * TICKS_PER_MS;
	settings.count = 100;
	settings.seed = 1;
	settings.pattern = PATTERN_EXPONENTIAL;
	settings.inverted = false;
	settings.output_on = false;
}

bool settings_agree(void)
{
	uint32_t shortest = settings.period;

	if (settings.pattern == PATTERN_UNIFORM) {
		if (settings.spread > settings.period - INTERVAL_LEAST)
			return false;
		shortest = settings.period - settings.spread;
	} else if (settings.pattern == PATTERN_EXPONENTIAL) {
		if (settings.floor > settings.period)
			return false;
		shortest = settings.floor;
	}
	return settings.width <= shortest - REST_LEAST;
}
