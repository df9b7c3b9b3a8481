/* The rig: the pulse source's firmware in a simulated chip, a responder or a second chip as the board under test,
 * a pseudo-terminal for the serial line and a log of every edge, in cycles.
 *
 *   rig SOURCE.elf|- TRUTH.tsv TERMINAL-FD [--board BOARD.elf] [--boot-loader IMAGE.bin ADDRESS]
 *       [--second SOURCE.elf TERMINAL-FD SLOWER] [--without flags|compare|entry|pin-time]... [responder settings]
 *
 * The second source has a crystal of its own: after each SLOWER cycles of the first one it is one cycle behind. Its
 * stimulus leads to the first one's capture input.
 *
 * Prints "ready", then obeys lines on standard input: sync, responder ..., level 0|1, reset, hang, quit. Neither standard
 * input nor the terminal may block. */

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core.h"
#include "responder.h"
#include "serial.h"

/* The source runs ahead of the board by more than the board's longest instruction and interrupt entry, so that
 * the board hears of every stimulus in time; its answers reach the source's core up to so many cycles late, but
 * are stamped exactly. */
#define LEAD_CYCLES 12
#define SLICE_CYCLES 4000
#define QUIET_CYCLES 48000000 /* after 3 s without any activity the rig slows down instead of burning a core */
#define QUIET_WAIT_MS 2
/* A boot loader gives up after a second of its own time, and so time goes slowly while it waits for bytes. */
#define BOOT_LOADER_WAIT_MS 1
#define BOOT_LOADER_BUSY_CYCLES 320000 /* it may be writing a page */

static struct core source, board, second;
static struct serial first_line, second_line;
static bool has_board;
static uint64_t slower; /* 0 without a second source */
static FILE *truth, *answers;
static uint64_t latest_edge;

static void log_line(uint64_t cycle, const char *name, int level)
{
	fprintf(truth, "%llu\t%s\t%d\n", (unsigned long long)cycle, name, level);
	latest_edge = cycle;
}

static void source_edge(struct core *core, enum core_pin pin, bool level, uint64_t cycle)
{
	(void)core;
	if (pin != PIN_OC1A) {
		log_line(cycle, "port", level);
		return;
	}
	log_line(cycle, "stimulus", level);
	responder_stimulus(&source, level, cycle);
	if (has_board)
		core_input(&board, cycle, level);
}

static void source_input(struct core *core, bool level, uint64_t cycle)
{
	(void)core;
	log_line(cycle, "response", level);
}

static void board_edge(struct core *core, enum core_pin pin, bool level, uint64_t cycle)
{
	(void)core;
	if (pin == PIN_PB0)
		core_input(&source, cycle, level);
}

static void board_input(struct core *core, bool level, uint64_t cycle)
{
	(void)core;
	(void)level;
	(void)cycle;
}

/* A moment by the first source's crystal, from one by the second's. */
static uint64_t by_first(uint64_t cycle)
{
	return cycle + cycle / (slower - 1);
}

static void second_edge(struct core *core, enum core_pin pin, bool level, uint64_t cycle)
{
	(void)core;
	if (pin != PIN_OC1A)
		return;
	log_line(cycle, "second", level);
	core_input(&source, by_first(cycle), level);
}

static void run_slice(void)
{
	uint64_t end = core_cycle(&source) + SLICE_CYCLES;
	unsigned resets = source.resets;

	while (core_cycle(&source) < end) {
		core_step(&source);
		serial_step(&first_line);
		while (has_board && core_cycle(&board) + LEAD_CYCLES <= core_cycle(&source))
			core_step(&board);
		while (slower && by_first(core_cycle(&second)) + LEAD_CYCLES <= core_cycle(&source)) {
			core_step(&second);
			serial_step(&second_line);
		}
	}
	if (source.resets != resets)
		log_line(core_cycle(&source), "reset", 1);
}

static void press_reset(void)
{
	core_reset(&source);
	serial_chip_was_reset(&first_line);
	log_line(core_cycle(&source), "reset", 1);
}

static void obey(char *line)
{
	if (!strncmp(line, "sync", 4)) {
		fflush(truth);
		fprintf(answers, "synced %llu %u %llu %u\n", (unsigned long long)core_cycle(&source),
			first_line.overruns, (unsigned long long)source.timer_base, source.lowest_stack);
	} else if (!strncmp(line, "responder ", 10)) {
		fprintf(answers, responder_set(line + 10) ? "ok\n" : "unknown setting\n");
	} else if (!strncmp(line, "level ", 6)) {
		core_input(&source, core_cycle(&source), line[6] == '1');
		fprintf(answers, "ok\n");
	} else if (!strncmp(line, "reset", 5)) {
		press_reset();
		fprintf(answers, "ok\n");
	} else if (!strncmp(line, "hang", 4)) {
		core_hang(&source);
		fprintf(answers, "ok\n");
	} else {
		fflush(truth);
		exit(0);
	}
	fflush(answers);
}

static void hear_control(void)
{
	static char line[512];
	static size_t length;
	char c;
	ssize_t count;

	while ((count = read(STDIN_FILENO, &c, 1)) == 1) {
		if (length < sizeof(line) - 1)
			line[length++] = c;
		if (c != '\n')
			continue;
		line[length] = '\0';
		length = 0;
		obey(line);
	}
	if (count == 0)
		exit(0); /* whoever started the rig is gone */
}

static unsigned correction_named(const char *name)
{
	static const char *names[] = {"flags", "compare", "entry", "pin-time"};

	for (unsigned i = 0; i < 4; i++)
		if (!strcmp(name, names[i]))
			return 1u << i;
	fprintf(stderr, "no correction is called %s\n", name);
	exit(2);
}

int main(int argc, char **argv)
{
	unsigned corrections = CORRECT_ALL;
	const char *board_elf = NULL, *boot_loader = NULL, *second_elf = NULL;
	int second_terminal = -1;
	long boot_address = 0;

	if (argc < 4) {
		fprintf(stderr,
			"usage: %s SOURCE.elf TRUTH.tsv TERMINAL-FD [--board BOARD.elf] [--boot-loader IMAGE.bin ADDRESS] "
			"[--second SOURCE.elf TERMINAL-FD SLOWER] [--without NAME]... [NAME=VALUE]...\n",
			argv[0]);
		return 2;
	}
	for (int i = 4; i < argc; i++) {
		if (!strcmp(argv[i], "--board") && i + 1 < argc) {
			board_elf = argv[++i];
		} else if (!strcmp(argv[i], "--boot-loader") && i + 2 < argc) {
			boot_loader = argv[++i];
			boot_address = strtol(argv[++i], NULL, 16);
		} else if (!strcmp(argv[i], "--second") && i + 3 < argc) {
			second_elf = argv[++i];
			second_terminal = atoi(argv[++i]);
			slower = strtoull(argv[++i], NULL, 10);
		} else if (!strcmp(argv[i], "--without") && i + 1 < argc) {
			corrections &= ~correction_named(argv[++i]);
		} else if (!responder_set(argv[i])) {
			fprintf(stderr, "unknown option or setting %s\n", argv[i]);
			return 2;
		}
	}
	truth = fopen(argv[2], "w");
	if (!truth) {
		perror(argv[2]);
		return 3;
	}
	/* The simulator prints to standard output; only our own answers may go there. */
	answers = fdopen(dup(STDOUT_FILENO), "w");
	dup2(STDERR_FILENO, STDOUT_FILENO);
	source.on_edge = source_edge;
	source.on_input = source_input;
	core_init(&source, argv[1], corrections, 'B', 0);
	if (board_elf) {
		has_board = true;
		board.on_edge = board_edge;
		board.on_input = board_input;
		core_init(&board, board_elf, corrections, 'D', 2);
	}
	serial_init(&first_line, &source, atoi(argv[3]));
	if (second_elf) {
		second.on_edge = second_edge;
		second.on_input = board_input;
		core_init(&second, second_elf, corrections, 'B', 0);
		serial_init(&second_line, &second, second_terminal);
	}
	if (boot_loader)
		core_boot_loader(&source, boot_loader, boot_address);
	fprintf(answers, "ready\n");
	fflush(answers);

	for (;;) {
		uint64_t latest;

		hear_control();
		if (!serial_exchange(&first_line, STDIN_FILENO) || (second_elf && !serial_exchange(&second_line, STDIN_FILENO)))
			continue;
		if (boot_loader && serial_was_opened(&first_line))
			press_reset();
		if (core_in_boot_loader(&source) && core_cycle(&source) > first_line.latest + BOOT_LOADER_BUSY_CYCLES)
			serial_wait(&first_line, STDIN_FILENO, BOOT_LOADER_WAIT_MS);
		run_slice();
		latest = first_line.latest > latest_edge ? first_line.latest : latest_edge;
		latest = second_line.latest > latest ? second_line.latest : latest;
		if (core_cycle(&source) > latest + QUIET_CYCLES)
			serial_wait(&first_line, STDIN_FILENO, QUIET_WAIT_MS);
	}
}
