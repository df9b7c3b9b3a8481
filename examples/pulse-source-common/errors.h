#ifndef ERRORS_H
#define ERRORS_H

/* The error queue of SYSTem:ERRor?, oldest first, and its texts (SCPI-99 volume 2, chapter 21). */

#include <stdbool.h>
#include <stdint.h>

enum error {
	NO_ERROR = 0,
	DATA_TYPE_ERROR = -104,
	PARAMETER_NOT_ALLOWED = -108,
	MISSING_PARAMETER = -109,
	UNDEFINED_HEADER = -113,
	INIT_IGNORED = -213,
	SETTINGS_CONFLICT = -221,
	DATA_OUT_OF_RANGE = -222,
	ILLEGAL_PARAMETER_VALUE = -224,
	DATA_CORRUPT_OR_STALE = -230,
	PROGRAM_RUNNING = -284,
	SYSTEM_ERROR = -310,
	QUEUE_OVERFLOW = -350,
	INPUT_OVERRUN = -363,
};

/* Queues an error and sets the event status bit of its class. */
void errors_add(int16_t code);

int16_t errors_take(void);
bool errors_any(void);
void errors_clear(void);

/* The text of an error, in flash. */
const char *errors_text(int16_t code);

#endif
