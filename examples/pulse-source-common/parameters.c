#include "parameters.h"

#include "chip.h"
#include "errors.h"
#include "headers.h"
#include "letters.h"
#include "numbers.h"
#include "settings.h"
#include "stimulus.h"
#include "uart.h"

struct range {
	uint32_t *setting;
	uint32_t least, most;
};

static const struct range ranges[] IN_FLASH = {
	[PARAMETER_PERIOD] = {&settings.period, PERIOD_LEAST, PERIOD_MOST},
	[PARAMETER_WIDTH] = {&settings.width, WIDTH_LEAST, WIDTH_MOST},
	[PARAMETER_FLOOR] = {&settings.floor, INTERVAL_LEAST, PERIOD_MOST},
	[PARAMETER_SPREAD] = {&settings.spread, 0, PERIOD_MOST},
	[PARAMETER_COUNT] = {&settings.count, 1, UINT32_MAX},
	[PARAMETER_SEED] = {&settings.seed, 1, UINT32_MAX},
};

struct choice {
	uint8_t which, value;
	char word[12];
};

/* The first word for a value is the one answered with, in its short form. */
static const struct choice choices[] IN_FLASH = {
	{PARAMETER_POLARITY, false, "NORMal"},
	{PARAMETER_POLARITY, true, "INVerted"},
	{PARAMETER_PATTERN, PATTERN_PERIODIC, "PERiodic"},
	{PARAMETER_PATTERN, PATTERN_UNIFORM, "UNIForm"},
	{PARAMETER_PATTERN, PATTERN_EXPONENTIAL, "EXPonential"},
	{PARAMETER_OUTPUT, false, "0"},
	{PARAMETER_OUTPUT, true, "1"},
	{PARAMETER_OUTPUT, false, "OFF"},
	{PARAMETER_OUTPUT, true, "ON"},
};

#define CHOICES (sizeof(choices) / sizeof(choices[0]))

static void set_number(const struct call *call, enum number_result result, uint32_t value)
{
	struct range range;

	flash_copy(&range, &ranges[call->which], sizeof(range));
	if (result == NUMBER_NOT_ONE)
		errors_add(DATA_TYPE_ERROR);
	else if (result == NUMBER_TOO_BIG || value < range.least || value > range.most)
		errors_add(DATA_OUT_OF_RANGE);
	else
		*range.setting = value;
}

static uint32_t present(uint8_t which)
{
	const uint32_t *setting = flash_pointer(&ranges[which].setting);

	return *setting;
}

void parameter_time(const struct call *call)
{
	uint32_t ticks = 0;
	enum number_result result;

	if (call->query) {
		number_send_seconds(present(call->which));
		uart_put('\n');
		return;
	}
	result = number_ticks(call->parameter, &ticks);
	set_number(call, result, ticks);
}

void parameter_integer(const struct call *call)
{
	uint32_t value = 0;
	enum number_result result;

	if (call->query) {
		number_send_integer(present(call->which));
		uart_put('\n');
		return;
	}
	result = number_integer(call->parameter, &value);
	set_number(call, result, value);
}

static uint8_t chosen(uint8_t which)
{
	if (which == PARAMETER_POLARITY)
		return settings.inverted;
	if (which == PARAMETER_PATTERN)
		return settings.pattern;
	return settings.output_on;
}

static void choose(uint8_t which, uint8_t value)
{
	if (which == PARAMETER_POLARITY) {
		if (settings.inverted != value)
			stimulus_set_polarity(value);
		settings.inverted = value;
	} else if (which == PARAMETER_PATTERN) {
		settings.pattern = value;
	} else {
		settings.output_on = value;
	}
}

static void send_choice(uint8_t which, uint8_t value)
{
	for (uint8_t i = 0; i < CHOICES; i++) {
		const char *word = choices[i].word;
		char c;

		if (flash_byte(&choices[i].which) != which || flash_byte(&choices[i].value) != value)
			continue;
		while ((c = flash_byte(word++)) && !is_lower(c))
			uart_put(c);
		uart_put('\n');
		return;
	}
}

void parameter_choice(const struct call *call)
{
	const char *end;

	if (call->query) {
		send_choice(call->which, chosen(call->which));
		return;
	}
	for (uint8_t i = 0; i < CHOICES; i++) {
		if (flash_byte(&choices[i].which) == call->which &&
		    header_matches(choices[i].word, call->parameter, &end) && *end == '\0') {
			choose(call->which, flash_byte(&choices[i].value));
			return;
		}
	}
	errors_add(is_letter(*call->parameter) || (is_digit(*call->parameter) && call->which == PARAMETER_OUTPUT)
			   ? ILLEGAL_PARAMETER_VALUE
			   : DATA_TYPE_ERROR);
}
