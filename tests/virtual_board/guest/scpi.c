// SPDX-License-Identifier: MIT
#include <ctype.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "source.h"

#define QUEUE 8
#define ESR_OPC 1
#define ESR_DEVICE 8
#define ESR_EXECUTION 16
#define ESR_COMMAND 32
#define ESR_POWER_ON 128

static const struct {
	int number;
	const char *text;
} texts[] = {
	{ 0, "No error" },
	{ -104, "Data type error" },
	{ -108, "Parameter not allowed" },
	{ -109, "Missing parameter" },
	{ -113, "Undefined header" },
	{ -213, "Init ignored" },
	{ -221, "Settings conflict" },
	{ -222, "Data out of range" },
	{ -224, "Illegal parameter value" },
	{ -230, "Data corrupt or stale" },
	{ -284, "Program currently running" },
	{ -350, "Queue overflow" },
	{ -363, "Input buffer overrun" },
};

static int queue[QUEUE];
static unsigned int queued;
static uint32_t event_status = ESR_POWER_ON, event_enable, request_enable;
static bool complete_wanted;

void error(int number)
{
	event_status |= number > -200 ? ESR_COMMAND : number > -300 ? ESR_EXECUTION : ESR_DEVICE;
	if (queued < QUEUE)
		queue[queued++] = number;
	else {
		queue[QUEUE - 1] = -350;
		event_status |= ESR_DEVICE;
	}
}

void operation_complete(void)
{
	if (complete_wanted)
		event_status |= ESR_OPC;
	complete_wanted = false;
}

static uint32_t status_byte(void)
{
	uint32_t status = (queued ? 4 : 0) | (event_status & event_enable ? 32 : 0);

	return status | (status & request_enable ? 64 : 0);
}

static void next_error(void)
{
	int number = queued ? queue[0] : 0;

	if (queued)
		memmove(queue, queue + 1, --queued * sizeof(queue[0]));
	for (size_t i = 0; i < sizeof(texts) / sizeof(texts[0]); i++)
		if (texts[i].number == number)
			sayf("%d,\"%s\"\n", number, texts[i].text);
}

static void clear_status(void)
{
	queued = 0;
	event_status = 0;
	complete_wanted = false;
}

/* Length of a mnemonic's short form: its capital letters. */
static size_t short_form(const char *mnemonic, size_t length)
{
	size_t i = 0;

	while (i < length && !islower((unsigned char)mnemonic[i]))
		i++;
	return i;
}

static bool match_header(const char *pattern, const char *header)
{
	bool optional = *pattern == '[';
	const char *node = pattern + optional;
	size_t length = strcspn(node, ":]"), given = strcspn(header, ":");
	const char *rest = node + length + optional;
	size_t shorter = short_form(node, length);

	rest += *rest == ':';
	if ((given == length || given == shorter) && !strncasecmp(node, header, given)) {
		bool more = header[given] == ':';

		if (!*rest && !header[given])
			return true;
		if (*rest && match_header(rest, header + given + more) && (more || !header[given]))
			return true;
	}
	if (!optional)
		return false;
	return *rest ? match_header(rest, header) : !*header;
}

enum command {
	IDN, RST, CLS, ESE, ESE_Q, ESR_Q, SRE, SRE_Q, STB_Q, OPC, OPC_Q, WAI, TST_Q, ERROR_Q, VERSION_Q,
	PERIOD, PERIOD_Q, WIDTH, WIDTH_Q, COUNT, COUNT_Q, POLARITY, POLARITY_Q, ARRIVAL, ARRIVAL_Q, FLOOR, FLOOR_Q,
	SPREAD, SPREAD_Q, SHORT_GAP, SHORT_GAP_Q, LONG_GAP, LONG_GAP_Q, GAP_LIMIT_Q, SEED, SEED_Q, RATE_Q, TOLERANCE_Q, OUTPUT, OUTPUT_Q, LEVEL_Q, INIT, FETCH_Q, READ_Q, ABORT,
};

/* while: what becomes of it during a run; 1 obeyed always, 2 unless READ? streams, 0 never */
static const struct entry {
	const char *pattern;
	enum command command;
	bool query, parameter;
	int during;
} table[] = {
	{ "*IDN", IDN, true, false, 2 },
	{ "*RST", RST, false, false, 1 },
	{ "*CLS", CLS, false, false, 1 },
	{ "*ESE", ESE, false, true, 0 },
	{ "*ESE", ESE_Q, true, false, 0 },
	{ "*ESR", ESR_Q, true, false, 2 },
	{ "*SRE", SRE, false, true, 0 },
	{ "*SRE", SRE_Q, true, false, 0 },
	{ "*STB", STB_Q, true, false, 2 },
	{ "*OPC", OPC, false, false, 2 },
	{ "*OPC", OPC_Q, true, false, 2 },
	{ "*WAI", WAI, false, false, 2 },
	{ "*TST", TST_Q, true, false, 0 },
	{ "SYSTem:ERRor:[NEXT]", ERROR_Q, true, false, 2 },
	{ "SYSTem:VERSion", VERSION_Q, true, false, 0 },
	{ "[SOURce]:PULSe:PERiod", PERIOD, false, true, 0 },
	{ "[SOURce]:PULSe:PERiod", PERIOD_Q, true, false, 0 },
	{ "[SOURce]:PULSe:WIDTh", WIDTH, false, true, 0 },
	{ "[SOURce]:PULSe:WIDTh", WIDTH_Q, true, false, 0 },
	{ "[SOURce]:PULSe:COUNt", COUNT, false, true, 0 },
	{ "[SOURce]:PULSe:COUNt", COUNT_Q, true, false, 0 },
	{ "[SOURce]:PULSe:POLarity", POLARITY, false, true, 0 },
	{ "[SOURce]:PULSe:POLarity", POLARITY_Q, true, false, 0 },
	{ "[SOURce]:PULSe:ARRival", ARRIVAL, false, true, 0 },
	{ "[SOURce]:PULSe:ARRival", ARRIVAL_Q, true, false, 0 },
	{ "[SOURce]:PULSe:ARRival:FLOor", FLOOR, false, true, 0 },
	{ "[SOURce]:PULSe:ARRival:FLOor", FLOOR_Q, true, false, 0 },
	{ "[SOURce]:PULSe:ARRival:SPRead", SPREAD, false, true, 0 },
	{ "[SOURce]:PULSe:ARRival:SPRead", SPREAD_Q, true, false, 0 },
	{ "[SOURce]:PULSe:ARRival:GAP:SHORtest", SHORT_GAP, false, true, 0 },
	{ "[SOURce]:PULSe:ARRival:GAP:SHORtest", SHORT_GAP_Q, true, false, 0 },
	{ "[SOURce]:PULSe:ARRival:GAP:LONGest", LONG_GAP, false, true, 0 },
	{ "[SOURce]:PULSe:ARRival:GAP:LONGest", LONG_GAP_Q, true, false, 0 },
	{ "[SOURce]:PULSe:ARRival:GAP:LIMit", GAP_LIMIT_Q, true, false, 0 },
	{ "[SOURce]:PULSe:ARRival:SEED", SEED, false, true, 0 },
	{ "[SOURce]:PULSe:ARRival:SEED", SEED_Q, true, false, 0 },
	{ "[SOURce]:ROSCillator:[INTernal]:FREQuency", RATE_Q, true, false, 0 },
	{ "[SOURce]:ROSCillator:TOLerance", TOLERANCE_Q, true, false, 0 },
	{ "OUTPut:[STATe]", OUTPUT, false, true, 0 },
	{ "OUTPut:[STATe]", OUTPUT_Q, true, false, 0 },
	{ "[SENSe]:DIGital:DATA", LEVEL_Q, true, false, 2 },
	{ "INITiate:[IMMediate]", INIT, false, false, 1 },
	{ "FETCh", FETCH_Q, true, false, 2 },
	{ "READ", READ_Q, true, false, 1 },
	{ "ABORt", ABORT, false, false, 1 },
};

static const struct entry *find(const char *unit, const char **parameter)
{
	char header[128];
	size_t length = strcspn(unit, " \t");
	bool query;

	*parameter = unit + length + strspn(unit + length, " \t");
	if (!length || length >= sizeof(header))
		return NULL;
	memcpy(header, unit, length);
	header[length] = 0;
	query = header[length - 1] == '?';
	if (query)
		header[length - 1] = 0;
	for (size_t i = 0; i < sizeof(table) / sizeof(table[0]); i++)
		if (table[i].query == query &&
		    match_header(table[i].pattern, header + (*header == ':' && header[1] != '*')))
			return &table[i];
	return NULL;
}

bool is_urgent(const char *unit)
{
	const char *parameter;
	const struct entry *entry = find(unit, &parameter);

	return entry && !*parameter && (entry->command == ABORT || entry->command == RST || entry->command == CLS);
}

static bool choose(const char *text, const char *const *words, uint32_t *chosen)
{
	for (uint32_t i = 0; words[i]; i++)
		if (match_header(words[i], text)) {
			*chosen = i;
			return true;
		}
	error(isalpha((unsigned char)*text) ? -224 : -104);
	return false;
}

static void say_time(uint64_t ticks)
{
	sayf("%.10E\n", (double)ticks / PULSE_TICK_HZ);
}

static const char *const polarities[] = { "NORMal", "INVerted", NULL };
static const char *const arrivals[] = { "PERiodic", "UNIForm", "EXPonential", "PAIRs", NULL };
static const char *const states[] = { "OFF", "ON", "0", "1", NULL };

static void set(enum command command, const char *text)
{
	uint32_t chosen;

	switch (command) {
	case ESE: parse_whole(text, 0, 255, &event_enable); break;
	case SRE: if (parse_whole(text, 0, 255, &request_enable)) request_enable &= ~64U; break;
	case PERIOD: parse_time(text, 200e-6, 60, &settings.period); break;
	case WIDTH: parse_time(text, 30e-6, 10e-3, &settings.width); break;
	case FLOOR: parse_time(text, 100e-6, 60, &settings.floor); break;
	case SPREAD: parse_time(text, 0, 60, &settings.spread); break;
	case SHORT_GAP: parse_time(text, PULSE_SHORTEST_GAP / 1e9, 30, &settings.shortest_gap); break;
	case LONG_GAP: parse_time(text, PULSE_SHORTEST_GAP / 1e9, 30, &settings.longest_gap); break;
	case COUNT: parse_whole(text, 1, 4294967295.0, &settings.count); break;
	case SEED: parse_whole(text, 1, 4294967295.0, &settings.seed); break;
	case ARRIVAL: choose(text, arrivals, &settings.arrival); break;
	case POLARITY:
		if (choose(text, polarities, &chosen)) {
			settings.inverted = chosen;
			run_idle(settings.inverted);
		}
		break;
	case OUTPUT:
		if (choose(text, states, &chosen))
			settings.output = chosen & 1;
		break;
	default: break;
	}
}

static void act(enum command command)
{
	switch (command) {
	case IDN: sayf("edgereply,pulse source virtual-board,0,1.0\n"); break;
	case RST:
		settings_reset();
		run_reset();
		complete_wanted = false;
		break;
	case CLS: clear_status(); break;
	case ESE_Q: sayf("%u\n", event_enable); break;
	case ESR_Q:
		sayf("%u\n", event_status);
		event_status = 0;
		break;
	case SRE_Q: sayf("%u\n", request_enable); break;
	case STB_Q: sayf("%u\n", status_byte()); break;
	case OPC:
		complete_wanted = true;
		if (!run_active())
			operation_complete();
		break;
	case OPC_Q: run_wait(true); break;
	case WAI: run_wait(false); break;
	case TST_Q: sayf("0\n"); break;
	case ERROR_Q: next_error(); break;
	case VERSION_Q: sayf("1999.0\n"); break;
	case PERIOD_Q: say_time(settings.period); break;
	case WIDTH_Q: say_time(settings.width); break;
	case FLOOR_Q: say_time(settings.floor); break;
	case SPREAD_Q: say_time(settings.spread); break;
	case SHORT_GAP_Q: say_time(settings.shortest_gap); break;
	case LONG_GAP_Q: say_time(settings.longest_gap); break;
	case GAP_LIMIT_Q: say_time(PULSE_SHORTEST_GAP); break;
	case COUNT_Q: sayf("%u\n", settings.count); break;
	case SEED_Q: sayf("%u\n", settings.seed); break;
	case POLARITY_Q: sayf("%s\n", settings.inverted ? "INV" : "NORM"); break;
	case ARRIVAL_Q: {
		const char *name = arrivals[settings.arrival];

		sayf("%.*s\n", (int)short_form(name, strlen(name)), name);
		break;
	}
	case RATE_Q: sayf("%llu\n", (unsigned long long)PULSE_TICK_HZ); break;
	case TOLERANCE_Q: sayf("50\n"); break;
	case OUTPUT_Q: sayf("%d\n", settings.output); break;
	case LEVEL_Q: sayf("%d\n", run_response_level()); break;
	case INIT: run_init(); break;
	case FETCH_Q: run_fetch(); break;
	case READ_Q: run_read(); break;
	case ABORT: run_abort(); break;
	default: break;
	}
}

void execute(char *unit)
{
	const char *parameter;
	const struct entry *entry = find(unit, &parameter);

	if (!entry)
		error(-113);
	else if (!entry->parameter && *parameter)
		error(-108);
	else if (entry->parameter && !*parameter)
		error(-109);
	else if (entry->parameter && strchr(parameter, ','))
		error(-108);
	else if (run_active() && (entry->during == 0 || (entry->during == 2 && run_streaming())))
		error(-284);
	else if (entry->parameter)
		set(entry->command, parameter);
	else
		act(entry->command);
}
