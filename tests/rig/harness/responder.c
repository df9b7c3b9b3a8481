#include "responder.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct {
	uint64_t on, jumper, inverted, delay_min, delay_max, width, miss_every, twice_every, gap, short_every, short_width, seed;
} rule = {.seed = 1, .delay_min = 16000, .delay_max = 16000, .width = 1600, .gap = 1600, .short_width = 16};

static uint64_t stimuli;

static const struct {
	const char *name;
	uint64_t *value;
} names[] = {
	{"on", &rule.on},
	{"jumper", &rule.jumper},
	{"inverted", &rule.inverted},
	{"delay_min", &rule.delay_min},
	{"delay_max", &rule.delay_max},
	{"width", &rule.width},
	{"miss_every", &rule.miss_every},
	{"twice_every", &rule.twice_every},
	{"gap", &rule.gap},
	{"short_every", &rule.short_every},
	{"short_width", &rule.short_width},
	{"seed", &rule.seed},
};

static bool set_one(char *text)
{
	char *equals = strchr(text, '=');

	if (!equals)
		return false;
	*equals = '\0';
	for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++) {
		if (strcmp(names[i].name, text))
			continue;
		*names[i].value = strtoull(equals + 1, NULL, 10);
		return true;
	}
	return false;
}

bool responder_set(char *text)
{
	for (char *part = strtok(text, " \n"); part; part = strtok(NULL, " \n"))
		if (!set_one(part))
			return false;
	return true;
}

/* xorshift64 (Marsaglia 2003, triple 13, 7, 17). */
static uint64_t draw(uint64_t below)
{
	rule.seed ^= rule.seed << 13;
	rule.seed ^= rule.seed >> 7;
	rule.seed ^= rule.seed << 17;
	return rule.seed % below;
}

static bool each(uint64_t n)
{
	return n && stimuli % n == 0;
}

void responder_stimulus(struct core *source, bool level, uint64_t cycle)
{
	uint64_t rise, width;

	if (rule.on && rule.jumper)
		core_input(source, cycle + rule.delay_min, level);
	if (!rule.on || rule.jumper || level == (bool)rule.inverted)
		return;
	stimuli++;
	rise = cycle + rule.delay_min + draw(rule.delay_max - rule.delay_min + 1);
	if (each(rule.miss_every))
		return;
	width = each(rule.short_every) ? rule.short_width : rule.width;
	core_input(source, rise, true);
	core_input(source, rise + width, false);
	if (each(rule.twice_every)) {
		core_input(source, rise + width + rule.gap, true);
		core_input(source, rise + width + rule.gap + rule.width, false);
	}
}
