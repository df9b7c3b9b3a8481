#include "commands.h"

#include <stddef.h>

#include "chip.h"
#include "common.h"
#include "control.h"
#include "errors.h"
#include "headers.h"
#include "parameters.h"
#include "run.h"
#include "stream.h"

struct command {
	char header[36];
	uint8_t flags;
	uint8_t which;
	void (*obey)(const struct call *call);
};

static const struct command table[] IN_FLASH = {
	{"*CLS", SETS | ALWAYS, COMMON_CLS, common_obey},
	{"*RST", SETS | ALWAYS, 0, control_reset},
	{"*IDN", ASKS | DURING_RUN, COMMON_IDN, common_obey},
	{"*ESE", SETS | ASKS | TAKES, COMMON_ESE, common_obey},
	{"*ESR", ASKS | DURING_RUN, COMMON_ESR, common_obey},
	{"*SRE", SETS | ASKS | TAKES, COMMON_SRE, common_obey},
	{"*STB", ASKS | DURING_RUN, COMMON_STB, common_obey},
	{"*TST", ASKS, COMMON_TST, common_obey},
	{"*OPC", SETS | ASKS | DURING_RUN, 0, control_opc},
	{"*WAI", SETS | DURING_RUN, 0, control_wait},
	{"SYSTem:ERRor[:NEXT]", ASKS | DURING_RUN, COMMON_ERROR, common_obey},
	{"SYSTem:VERSion", ASKS, COMMON_VERSION, common_obey},
	{"PULSe:PERiod", UNDER_SOURCE | SETS | ASKS | TAKES, PARAMETER_PERIOD, parameter_time},
	{"PULSe:WIDTh", UNDER_SOURCE | SETS | ASKS | TAKES, PARAMETER_WIDTH, parameter_time},
	{"PULSe:ARRival:FLOor", UNDER_SOURCE | SETS | ASKS | TAKES, PARAMETER_FLOOR, parameter_time},
	{"PULSe:ARRival:SPRead", UNDER_SOURCE | SETS | ASKS | TAKES, PARAMETER_SPREAD, parameter_time},
	{"PULSe:COUNt", UNDER_SOURCE | SETS | ASKS | TAKES, PARAMETER_COUNT, parameter_integer},
	{"PULSe:ARRival:SEED", UNDER_SOURCE | SETS | ASKS | TAKES, PARAMETER_SEED, parameter_integer},
	{"PULSe:POLarity", UNDER_SOURCE | SETS | ASKS | TAKES, PARAMETER_POLARITY, parameter_choice},
	{"PULSe:ARRival", UNDER_SOURCE | SETS | ASKS | TAKES, PARAMETER_PATTERN, parameter_choice},
	{"OUTPut[:STATe]", SETS | ASKS | TAKES, PARAMETER_OUTPUT, parameter_choice},
	{"ROSCillator[:INTernal]:FREQuency", UNDER_SOURCE | ASKS, COMMON_FREQUENCY, common_obey},
	{"ROSCillator:TOLerance", UNDER_SOURCE | ASKS, COMMON_TOLERANCE, common_obey},
	{"DIGital:DATA", UNDER_SENSE | ASKS | DURING_RUN, COMMON_LEVEL, common_obey},
	/* A second start is refused by the function itself, with an error of its own. */
	{"INITiate[:IMMediate]", SETS | ALWAYS, 0, control_initiate},
	{"READ", ASKS | ALWAYS, 0, control_read},
	{"FETCh", ASKS | DURING_RUN, 0, control_fetch},
	{"ABORt", SETS | ALWAYS, 0, control_abort},
};

/* Steps over the optional node SOURce: or SENSe: and says which entries may follow; 0 when there is none. */
static uint8_t take_root(const char **header)
{
	static const char source[] IN_FLASH = "SOURce", sense[] IN_FLASH = "SENSe";
	uint8_t root = 0;

	if (header_begins(source, header))
		root = UNDER_SOURCE;
	else if (header_begins(sense, header))
		root = UNDER_SENSE;
	return root;
}

/* The entry in flash, or NULL; *end points behind the header and its question mark. */
static const struct command *find(const char *header, bool *query, const char **end)
{
	uint8_t root = take_root(&header);

	for (uint8_t i = 0; i < sizeof(table) / sizeof(table[0]); i++) {
		uint8_t flags = flash_byte(&table[i].flags);

		if (root && !(flags & root))
			continue;
		if (!header_matches(table[i].header, header, end))
			continue;
		*query = **end == '?';
		if (*query)
			(*end)++;
		if (**end && **end != ' ' && **end != '\t')
			return NULL;
		return flags & (*query ? ASKS : SETS) ? &table[i] : NULL;
	}
	return NULL;
}

static bool has_comma(const char *text)
{
	while (*text && *text != ',')
		text++;
	return *text;
}

static bool refused_now(uint8_t flags)
{
	if (flags & ALWAYS)
		return false;
	if (stream_active() || control_opc_waits())
		return true;
	return run_active() && !(flags & DURING_RUN);
}

void command_obey(char *text)
{
	const struct command *command;
	struct call call;
	const char *end;
	uint8_t flags;

	if (*text == ':' && text[1] != '*')
		text++;
	command = find(text, &call.query, &end);
	if (!command) {
		errors_add(UNDEFINED_HEADER);
		return;
	}
	while (*end == ' ' || *end == '\t')
		end++;
	call.which = flash_byte(&command->which);
	call.parameter = end;
	flags = flash_byte(&command->flags);

	if (refused_now(flags)) {
		errors_add(PROGRAM_RUNNING);
	} else if ((*end && (call.query || !(flags & TAKES))) || has_comma(end)) {
		errors_add(PARAMETER_NOT_ALLOWED);
	} else if (!*end && !call.query && (flags & TAKES)) {
		errors_add(MISSING_PARAMETER);
	} else {
		void (*obey)(const struct call *) = flash_pointer(&command->obey);

		obey(&call);
	}
}
