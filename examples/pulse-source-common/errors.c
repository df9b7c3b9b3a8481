#include "errors.h"

#include "chip.h"
#include "status.h"

#define DEPTH 8

static int16_t queue[DEPTH];
static uint8_t first, count;

struct text {
	int16_t code;
	char words[26];
};

static const struct text texts[] IN_FLASH = {
	{NO_ERROR, "No error"},
	{DATA_TYPE_ERROR, "Data type error"},
	{PARAMETER_NOT_ALLOWED, "Parameter not allowed"},
	{MISSING_PARAMETER, "Missing parameter"},
	{UNDEFINED_HEADER, "Undefined header"},
	{INIT_IGNORED, "Init ignored"},
	{SETTINGS_CONFLICT, "Settings conflict"},
	{DATA_OUT_OF_RANGE, "Data out of range"},
	{ILLEGAL_PARAMETER_VALUE, "Illegal parameter value"},
	{DATA_CORRUPT_OR_STALE, "Data corrupt or stale"},
	{PROGRAM_RUNNING, "Program currently running"},
	{SYSTEM_ERROR, "System error"},
	{QUEUE_OVERFLOW, "Queue overflow"},
	{INPUT_OVERRUN, "Input buffer overrun"},
};

static uint8_t event_of(int16_t code)
{
	if (code > -200)
		return EVENT_COMMAND_ERROR;
	if (code > -300)
		return EVENT_EXECUTION_ERROR;
	return EVENT_DEVICE_ERROR;
}

void errors_add(int16_t code)
{
	status_event(event_of(code));
	if (count == DEPTH) {
		queue[(first + DEPTH - 1) % DEPTH] = QUEUE_OVERFLOW;
		status_event(EVENT_DEVICE_ERROR);
		return;
	}
	queue[(first + count) % DEPTH] = code;
	count++;
}

int16_t errors_take(void)
{
	int16_t code;

	if (!count)
		return NO_ERROR;
	code = queue[first];
	first = (first + 1) % DEPTH;
	count--;
	return code;
}

bool errors_any(void)
{
	return count > 0;
}

void errors_clear(void)
{
	count = 0;
}

const char *errors_text(int16_t code)
{
	for (uint8_t i = 1; i < sizeof(texts) / sizeof(texts[0]); i++)
		if ((int16_t)flash_word(&texts[i].code) == code)
			return texts[i].words;
	return texts[0].words;
}
