// SPDX-License-Identifier: MIT
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include "source.h"

#define BLOCK_RECORDS 18

static int device;
static bool active; /* the timer has not ended the run, as far as we have looked */
static bool started; /* since reset */
static bool streaming;
static bool waiting;
static bool waiting_answers;
static struct pulse_record ahead[BLOCK_RECORDS]; /* records read but not sent */
static size_t ahead_count;

void run_open(const char *path)
{
	device = open(path, O_RDWR | O_CLOEXEC);
	if (device < 0) {
		perror(path);
		exit(1);
	}
}

bool run_active(void)
{
	return active;
}

bool run_streaming(void)
{
	return streaming;
}

bool run_waiting(void)
{
	return streaming || waiting;
}

void run_idle(bool level)
{
	uint32_t idle = level;

	ioctl(device, PULSE_IDLE, &idle);
}

bool run_response_level(void)
{
	uint32_t level = 0;

	ioctl(device, PULSE_LEVEL, &level);
	return level;
}

static bool start(void)
{
	struct pulse_plan plan = {
		.period = settings.period,
		.width = settings.width,
		.floor = settings.floor,
		.spread = settings.spread,
		.shortest_gap = settings.shortest_gap,
		.longest_gap = settings.longest_gap,
		.count = settings.count,
		.seed = settings.seed,
		.arrival = settings.arrival,
		.idle = settings.inverted,
	};

	if (active) {
		error(-213);
		return false;
	}
	if (!settings.output || !settings_agree()) {
		error(-221);
		return false;
	}
	if (ioctl(device, PULSE_START, &plan)) {
		error(-221);
		return false;
	}
	ahead_count = 0;
	active = started = true;
	return true;
}

void run_init(void)
{
	start();
}

void run_read(void)
{
	if (streaming)
		error(-213);
	else if (start())
		streaming = true;
	else
		say("#10\n", 4);
}

/* Fills `ahead`; says whether the run is over and nothing is left in the module. */
static bool look(void)
{
	ssize_t got;

	if (ahead_count)
		return false;
	got = read(device, ahead, sizeof(ahead));
	if (got > 0)
		ahead_count = got / sizeof(ahead[0]);
	return got == 0;
}

static void send_block(void)
{
	size_t bytes = ahead_count * sizeof(ahead[0]);

	if (!ahead_count) {
		say("#10", 3);
		return;
	}
	sayf("#2%02zu", bytes);
	say(ahead, bytes);
	ahead_count = 0;
}

void run_fetch(void)
{
	if (!started)
		error(-230);
	else
		look();
	send_block();
	say("\n", 1);
}

void run_abort(void)
{
	ioctl(device, PULSE_ABORT);
	run_poll();
}

void run_reset(void)
{
	run_abort();
	run_idle(false);
	started = false;
	if (streaming)
		return; /* the answer to READ? has to be finished first */
	do
		ahead_count = 0;
	while (!look());
}

/* Holds up what follows until no run is in progress; *OPC? then answers. */
void run_wait(bool answer)
{
	waiting = true;
	waiting_answers = answer;
	run_poll();
}

static void end_waiting(void)
{
	if (!active && waiting) {
		waiting = false;
		if (waiting_answers)
			sayf("1\n");
	}
}

static bool module_running(void)
{
	uint32_t running = 0;

	ioctl(device, PULSE_RUNNING, &running);
	return running;
}

void run_poll(void)
{
	bool over = active && !module_running();

	while (streaming && room() >= 200) {
		bool empty = look();

		if (!empty && !ahead_count)
			break;
		send_block();
		say(empty ? "\n" : ",", 1);
		if (empty) {
			streaming = false;
			over = true;
		}
	}
	if (over && !streaming) {
		active = false;
		operation_complete();
	}
	end_waiting();
}
