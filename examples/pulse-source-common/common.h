#ifndef COMMON_H
#define COMMON_H

/* Status, identity and other questions that change no setting of the stimulus. */

#include "commands.h"

enum {
	COMMON_CLS,
	COMMON_IDN,
	COMMON_ESE,
	COMMON_ESR,
	COMMON_SRE,
	COMMON_STB,
	COMMON_TST,
	COMMON_ERROR,
	COMMON_VERSION,
	COMMON_FREQUENCY,
	COMMON_TOLERANCE,
	COMMON_LEVEL,
};

void common_obey(const struct call *call);

#endif
