// SPDX-License-Identifier: MIT
/*
 * Usage: responder CHIP INPUT OUTPUT COUNT TIMEOUT_MS [spin] [fifo PRIORITY]
 * Answers each rising edge with a pulse, through the calls that any responder on the character device makes: read an
 * event, set high, set low. Prints, for each answer, four stamps of the monotonic clock in ns: edge (the kernel's),
 * wake, set, clear. What it costs is the least that a program on this kernel can do.
 */
#include <errno.h>
#include <fcntl.h>
#include <linux/gpio.h>
#include <sched.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

struct stamps {
	uint64_t edge, wake, set, clear;
};

static uint64_t now(void)
{
	struct timespec time;

	clock_gettime(CLOCK_MONOTONIC, &time);
	return time.tv_sec * 1000000000ULL + time.tv_nsec;
}

static int fail(const char *what)
{
	fprintf(stderr, "responder: %s: %s\n", what, strerror(errno));
	return 1;
}

static int find_line(int chip, const char *name)
{
	struct gpiochip_info info;

	if (ioctl(chip, GPIO_GET_CHIPINFO_IOCTL, &info))
		return -1;
	for (unsigned int offset = 0; offset < info.lines; offset++) {
		struct gpio_v2_line_info line = { .offset = offset };

		if (!ioctl(chip, GPIO_V2_GET_LINEINFO_IOCTL, &line) && !strcmp(line.name, name))
			return offset;
	}
	errno = ENOENT;
	return -1;
}

static int request(int chip, int offset, uint64_t flags)
{
	struct gpio_v2_line_request request = { .num_lines = 1, .event_buffer_size = 1024 };

	request.offsets[0] = offset;
	request.config.flags = flags;
	strcpy(request.consumer, "responder");
	if (offset < 0 || ioctl(chip, GPIO_V2_GET_LINE_IOCTL, &request))
		return -1;
	return request.fd;
}

static void wake_up(int signal)
{
	(void)signal;
}

/* A read that sleeps has no deadline of its own: from the deadline on, a signal interrupts it again and again. */
static void interrupt_reads_after(unsigned long ms)
{
	struct sigaction action = { .sa_handler = wake_up };
	struct itimerval timer = { .it_value = { ms / 1000, ms % 1000 * 1000 }, .it_interval = { 0, 100000 } };

	sigaction(SIGALRM, &action, NULL);
	setitimer(ITIMER_REAL, &timer, NULL);
}

/* One event, asleep or spinning; false when the time is up. */
static int await(int input, int spin, uint64_t deadline, struct gpio_v2_line_event *event)
{
	if (!spin)
		return read(input, event, sizeof(*event)) == sizeof(*event);
	while (read(input, event, sizeof(*event)) != sizeof(*event))
		if (now() > deadline)
			return 0;
	return 1;
}

int main(int count, char **arguments)
{
	int chip, input, output, spin = 0;
	unsigned long wanted, done = 0;
	struct stamps *stamps;
	uint64_t deadline;

	if (count < 6)
		return fprintf(stderr, "usage: responder CHIP INPUT OUTPUT COUNT TIMEOUT_MS [spin] [fifo PRIORITY]\n"), 2;
	wanted = strtoul(arguments[4], NULL, 10);
	stamps = calloc(wanted, sizeof(*stamps));
	for (int i = 6; i < count; i++) {
		if (!strcmp(arguments[i], "spin"))
			spin = 1;
		if (!strcmp(arguments[i], "fifo") && i + 1 < count) {
			struct sched_param priority = { .sched_priority = atoi(arguments[i + 1]) };

			if (sched_setscheduler(0, SCHED_FIFO, &priority))
				return fail("real-time priority");
		}
	}
	chip = open(arguments[1], O_RDWR | O_CLOEXEC);
	if (chip < 0 || !stamps)
		return fail(arguments[1]);
	output = request(chip, find_line(chip, arguments[3]), GPIO_V2_LINE_FLAG_OUTPUT);
	if (output < 0)
		return fail(arguments[3]);
	input = request(chip, find_line(chip, arguments[2]), GPIO_V2_LINE_FLAG_INPUT | GPIO_V2_LINE_FLAG_EDGE_RISING);
	if (input < 0)
		return fail(arguments[2]);
	if (spin && fcntl(input, F_SETFL, O_NONBLOCK))
		return fail("non-blocking");
	mlockall(MCL_CURRENT | MCL_FUTURE);
	interrupt_reads_after(strtoul(arguments[5], NULL, 10));
	fprintf(stderr, "ready\n");

	deadline = now() + strtoull(arguments[5], NULL, 10) * 1000000ULL;
	while (done < wanted) {
		struct gpio_v2_line_values high = { .bits = 1, .mask = 1 }, low = { .bits = 0, .mask = 1 };
		struct gpio_v2_line_event event;
		struct stamps *stamp = &stamps[done];

		if (!await(input, spin, deadline, &event))
			break;
		stamp->wake = now();
		ioctl(output, GPIO_V2_LINE_SET_VALUES_IOCTL, &high);
		stamp->set = now();
		ioctl(output, GPIO_V2_LINE_SET_VALUES_IOCTL, &low);
		stamp->clear = now();
		stamp->edge = event.timestamp_ns;
		done++;
	}
	for (unsigned long i = 0; i < done; i++)
		printf("%llu %llu %llu %llu\n", (unsigned long long)stamps[i].edge, (unsigned long long)stamps[i].wake,
		       (unsigned long long)stamps[i].set, (unsigned long long)stamps[i].clear);
	return 0;
}
