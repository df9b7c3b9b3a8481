// SPDX-License-Identifier: MIT
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "source.h"

#define US 1000ULL

struct settings settings;

void settings_reset(void)
{
	settings = (struct settings){
		.period = 5000 * US,
		.width = 50 * US,
		.floor = 1000 * US,
		.spread = 1000 * US,
		.shortest_gap = 100 * US,
		.longest_gap = 1000 * US,
		.count = 100,
		.seed = 1,
		.arrival = ARRIVAL_EXPONENTIAL,
	};
}

/* Whether the values go together; each of them is in its own range already. */
bool settings_agree(void)
{
	const struct settings *s = &settings;
	uint64_t shortest = s->period;

	if (s->arrival == ARRIVAL_EXPONENTIAL) {
		if (s->floor > s->period)
			return false;
		shortest = s->floor;
	} else if (s->arrival == ARRIVAL_UNIFORM) {
		if (s->spread + 100 * US > s->period)
			return false;
		shortest = s->period - s->spread;
	} else if (s->arrival == ARRIVAL_PAIRS) {
		if (s->shortest_gap > s->longest_gap || s->longest_gap > s->period / 2)
			return false;
	}
	return s->width + 50 * US <= shortest;
}

/* NRf, for times with an optional suffix. strtod alone would also take "inf" and "0x1". */
bool parse_number(const char *text, bool is_time, double *value)
{
	static const struct {
		const char *name;
		double seconds;
	} suffixes[] = { { "", 1 }, { "S", 1 }, { "MS", 1e-3 }, { "US", 1e-6 }, { "NS", 1e-9 } };
	const char *first = text + (*text == '+' || *text == '-');
	char *end;
	double number;

	if (strspn(first, "0123456789.") == 0 || first[strspn(first, "0")] == 'x' || first[strspn(first, "0")] == 'X')
		return false;
	number = strtod(text, &end);
	if (end == text || !isfinite(number))
		return false;
	end += strspn(end, " \t");
	for (size_t i = 0; i < (is_time ? sizeof(suffixes) / sizeof(suffixes[0]) : 1); i++)
		if (!strcasecmp(end, suffixes[i].name)) {
			*value = number * suffixes[i].seconds;
			return true;
		}
	return false;
}

bool parse_whole(const char *text, double low, double high, uint32_t *value)
{
	double number;

	if (!parse_number(text, false, &number)) {
		error(-104);
		return false;
	}
	number = floor(number + 0.5);
	if (number < low || number > high) {
		error(-222);
		return false;
	}
	*value = (uint32_t)number;
	return true;
}

bool parse_time(const char *text, double low_s, double high_s, uint64_t *ticks)
{
	double seconds, count;

	if (!parse_number(text, true, &seconds)) {
		error(-104);
		return false;
	}
	count = floor(seconds * PULSE_TICK_HZ + 0.5);
	if (count < floor(low_s * PULSE_TICK_HZ + 0.5) || count > floor(high_s * PULSE_TICK_HZ + 0.5)) {
		error(-222);
		return false;
	}
	*ticks = (uint64_t)count;
	return true;
}
