#ifndef PARAMETERS_H
#define PARAMETERS_H

/* The commands that set and ask the stimulus' settings. */

#include "commands.h"

enum {
	PARAMETER_PERIOD,
	PARAMETER_WIDTH,
	PARAMETER_FLOOR,
	PARAMETER_SPREAD,
	PARAMETER_COUNT,
	PARAMETER_SEED,
	PARAMETER_POLARITY,
	PARAMETER_PATTERN,
	PARAMETER_OUTPUT,
};

void parameter_time(const struct call *call);
void parameter_integer(const struct call *call);
void parameter_choice(const struct call *call);

#endif
