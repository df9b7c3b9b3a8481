// SPDX-License-Identifier: MIT
/*
 * The floor responder: answers edges by the same system calls as the agent's own loops, without an interpreter, so that
 * what is left is the price of the kernel. The agent's responder process becomes this program; lines, memory and pipes
 * are open already. By hand, to have it ready made for a board without compiler:
 *     CROSS-gcc -O2 -static -o floor floor.c
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <time.h>
#include <unistd.h>

#define INTERFACE "1"
#define HEADER 4096

/* As in ring.py. */
enum cell { HEAD, TAIL, COUNT, UNRECORDED, SEQNO, BASE, STOP, CLEAN, FAILED = 10 };

struct row {
	int64_t edge_ns, wake_ns, set_ns, clear_ns;
	uint32_t seqno, line_seqno;
};

/* As in include/uapi/linux/gpio.h of the kernel, which a board's headers may be too old to have. */
struct event {
	uint64_t timestamp_ns;
	uint32_t id, offset, seqno, line_seqno, padding[6];
};

struct values {
	uint64_t bits, mask;
};

#define SET_VALUES _IOWR(0xB4, 0x0F, struct values)

/* An output change on the software wires. */
struct change {
	int64_t at_ns;
	uint32_t line, level;
};

static volatile uint32_t *cells;
static volatile struct row *rows;
static uint32_t capacity, head, slot, answered, unrecorded;
static int input, output, on_wires;
static int64_t hold_ns;

static int64_t now_ns(void)
{
	struct timespec time;

	clock_gettime(CLOCK_MONOTONIC, &time);
	return (int64_t)time.tv_sec * 1000000000 + time.tv_nsec;
}

static int set_level(int level)
{
	struct change change;
	struct values values = { (uint64_t)level, 1 };

	if (!on_wires)
		return ioctl(output, SET_VALUES, &values);
	change.at_ns = now_ns();
	change.line = 0;
	change.level = (uint32_t)level;
	return write(output, &change, sizeof(change)) == sizeof(change) ? 0 : -1;
}

static int fail(int number)
{
	cells[FAILED] = (uint32_t)number;
	set_level(0);
	return 1;
}

/* A read that starts after the signal gives up at once too. */
static void end(int number)
{
	(void)number;
	cells[STOP] = 1;
	fcntl(input, F_SETFL, fcntl(input, F_GETFL) | O_NONBLOCK);
}

static void record(const struct event *event, int64_t wake_ns, int64_t set_ns, int64_t clear_ns)
{
	if (head - cells[TAIL] >= capacity) {
		cells[UNRECORDED] = ++unrecorded;
	} else {
		volatile struct row *row = &rows[slot];

		row->edge_ns = (int64_t)event->timestamp_ns;
		row->wake_ns = wake_ns;
		row->set_ns = set_ns;
		row->clear_ns = clear_ns;
		row->seqno = event->seqno;
		row->line_seqno = event->line_seqno;
		slot = slot + 1 < capacity ? slot + 1 : 0;
		cells[HEAD] = ++head;
	}
	cells[SEQNO] = event->seqno;
	cells[COUNT] = ++answered;
}

/* High, and low again; false where the line is gone. */
static int pulse(int64_t *set_ns, int64_t *clear_ns)
{
	if (set_level(1))
		return 0;
	*set_ns = now_ns();
	if (hold_ns)
		while (now_ns() < *set_ns + hold_ns)
			;
	if (set_level(0))
		return 0;
	*clear_ns = now_ns();
	return 1;
}

static int answer_blocking(void)
{
	while (!cells[STOP]) {
		struct event event;
		int64_t wake_ns, set_ns, clear_ns;
		ssize_t got = read(input, &event, sizeof(event));

		if (got < 0 && (errno == EAGAIN || errno == EINTR))
			continue;
		wake_ns = now_ns();
		if (got != sizeof(event))
			return fail(got < 0 ? errno : ENODEV);
		if (!pulse(&set_ns, &clear_ns))
			return fail(errno);
		record(&event, wake_ns, set_ns, clear_ns);
	}
	return 0;
}

static int answer_spinning(void)
{
	struct pollfd waiting = { input, POLLIN, 0 };

	while (!cells[STOP]) {
		struct event event;
		int64_t wake_ns, set_ns, clear_ns;

		if (poll(&waiting, 1, 0) < 1)
			continue;
		wake_ns = now_ns();
		if (waiting.revents != POLLIN)
			return fail(ENODEV);
		if (!pulse(&set_ns, &clear_ns))
			return fail(errno);
		if (read(input, &event, sizeof(event)) != sizeof(event))
			return fail(ENODEV);
		record(&event, wake_ns, set_ns, clear_ns);
	}
	return 0;
}

/* Throw away what waits already; sequence numbers count from there. */
static void flush(void)
{
	struct pollfd waiting = { input, POLLIN, 0 };
	struct event event;

	while (poll(&waiting, 1, 0) == 1 && waiting.revents == POLLIN &&
	       read(input, &event, sizeof(event)) == sizeof(event))
		cells[SEQNO] = event.seqno;
	cells[BASE] = cells[SEQNO];
}

/* One write, since the reader takes one message to be one read. */
static int say(int report, const char *format, ...)
{
	static char text[16384];
	va_list values;
	int length;

	va_start(values, format);
	length = vsnprintf(text, sizeof(text), format, values);
	va_end(values);
	return length > 0 && length < (int)sizeof(text) && write(report, text, (size_t)length) == length;
}

static int by_size(const void *one, const void *other)
{
	int64_t a = *(const int64_t *)one, b = *(const int64_t *)other;

	return (a > b) - (a < b);
}

/* As observer.py: median time of one reading of the clock, with a poll that finds nothing before it or without. */
static int64_t cost_ns(int with_poll)
{
	struct pollfd waiting = { input, POLLIN, 0 };
	int64_t took[33];

	for (int i = 0; i < 33; i++) {
		int64_t before_ns = now_ns();

		if (with_poll)
			poll(&waiting, 1, 0);
		took[i] = now_ns() - before_ns;
	}
	qsort(took, 33, sizeof(*took), by_size);
	return took[16];
}

static int64_t number(const char *text)
{
	return strtoll(text, NULL, 10);
}

/*
 * INTERFACE MEMORY CAPACITY INPUT OUTPUT REPORT GO PARENT lines|wires block|spin HOLD_NS LOCK READY
 * READY is the JSON object to say when ready, without its last brace.
 */
int main(int count, char **words)
{
	struct sigaction action;
	size_t size;
	char *memory, go;
	int64_t clock_ns;
	int report, code;

	if (count != 14)
		return fputs("the agent of edgereply starts this program, with lines and memory open\n", stderr), 2;
	capacity = (uint32_t)number(words[3]);
	size = HEADER + capacity * sizeof(struct row);
	memory = mmap(NULL, size, PROT_READ | PROT_WRITE, MAP_SHARED, (int)number(words[2]), 0);
	if (memory == MAP_FAILED)
		return 3;
	cells = (volatile uint32_t *)memory;
	rows = (volatile struct row *)(memory + HEADER);
	if (strcmp(words[1], INTERFACE)) {
		cells[FAILED] = EPROTO;
		return 1;
	}
	input = (int)number(words[4]);
	output = (int)number(words[5]);
	report = (int)number(words[6]);
	on_wires = !strcmp(words[9], "wires");
	hold_ns = number(words[11]);

	memset(&action, 0, sizeof(action));
	action.sa_handler = end;
	sigaction(SIGTERM, &action, NULL);
	sigemptyset(&action.sa_mask);
	sigprocmask(SIG_SETMASK, &action.sa_mask, NULL);
	prctl(PR_SET_PDEATHSIG, SIGTERM, 0, 0, 0);
	if (getppid() != (pid_t)number(words[8]))
		return 1;
	if (number(words[12]) && mlockall(MCL_CURRENT | MCL_FUTURE)) {
		cells[FAILED] = (uint32_t)errno;
		return 1;
	}
	memset(memory + HEADER, 0, size - HEADER);
	clock_ns = cost_ns(0);
	if (!say(report, "%s, \"found\": {\"observer\": {\"clock_ns\": %lld, \"poll_ns\": %lld}}}", words[13],
		 (long long)clock_ns, (long long)(cost_ns(1) - clock_ns)) ||
	    read((int)number(words[7]), &go, 1) != 1)
		return 0;

	flush();
	say(report, "{\"started_ns\": %lld}", (long long)now_ns());
	code = strcmp(words[10], "spin") ? answer_blocking() : answer_spinning();
	if (!code)
		cells[CLEAN] = 1;
	return code;
}
