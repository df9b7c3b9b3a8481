// SPDX-License-Identifier: MIT
/*
 * Usage: pulse-source SERIAL-DEVICE
 * Bytes in, messages cut into commands, answers out. Commands that have to wait keep those after them waiting too.
 */
#include <fcntl.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include "source.h"

#define MESSAGE 128
#define HELD 1024
#define DEVICE_CLEAR 3
#define RUN_POLL_MS 10 /* records leave at least every 20 ms; a wake-up per edge would slow the board under test */

static int serial;
static unsigned char out[16384];
static size_t out_length;
static char message[MESSAGE + 1];
static size_t message_length;
static bool overrun;
static char held[HELD]; /* commands waiting for their turn, each ended by 0 */
static size_t held_length;

size_t room(void)
{
	return sizeof(out) - out_length;
}

static void flush(void)
{
	ssize_t sent;

	if (!out_length)
		return;
	sent = write(serial, out, out_length);
	if (sent <= 0)
		return;
	out_length -= sent;
	memmove(out, out + sent, out_length);
}

void say(const void *bytes, size_t length)
{
	if (length > room())
		return; /* nobody has read 16 kB of answers */
	memcpy(out + out_length, bytes, length);
	out_length += length;
}

void sayf(const char *format, ...)
{
	char text[160];
	va_list arguments;
	int length;

	va_start(arguments, format);
	length = vsnprintf(text, sizeof(text), format, arguments);
	va_end(arguments);
	say(text, length);
}

static void hold(const char *unit)
{
	size_t length = strlen(unit) + 1;

	if (held_length + length > sizeof(held)) {
		error(-363);
		return;
	}
	memcpy(held + held_length, unit, length);
	held_length += length;
}

static void run_held(void)
{
	char unit[MESSAGE + 1];

	while (held_length && !run_waiting()) {
		size_t length = strlen(held) + 1;

		memcpy(unit, held, length);
		held_length -= length;
		memmove(held, held + length, held_length);
		execute(unit);
	}
}

static char *trimmed(char *text)
{
	char *end = text + strlen(text);

	text += strspn(text, " \t");
	while (end > text && strchr(" \t\r", end[-1]))
		*--end = 0;
	return text;
}

static void run_message(void)
{
	bool streamed = run_streaming(); /* then what comes is refused, not held; the rest of a message is held */
	char *rest = message, *piece;

	while ((piece = strsep(&rest, ";"))) {
		char *unit = trimmed(piece);

		if (!*unit)
			continue;
		if (is_urgent(unit) || (streamed && run_streaming()) || (!run_waiting() && !held_length))
			execute(unit);
		else
			hold(unit);
	}
}

static void clear_device(void)
{
	message_length = held_length = 0;
	overrun = false;
	run_abort();
}

static void take(char byte)
{
	if (byte == DEVICE_CLEAR) {
		clear_device();
	} else if (byte == '\n') {
		message[message_length] = 0;
		if (overrun)
			error(-363);
		else
			run_message();
		message_length = 0;
		overrun = false;
	} else if (message_length == MESSAGE) {
		overrun = true;
	} else {
		message[message_length++] = byte ? byte : '?'; /* a zero byte must not hide what follows */
	}
}

int main(int count, char **arguments)
{
	if (count != 2) {
		fprintf(stderr, "usage: pulse-source SERIAL-DEVICE\n");
		return 2;
	}
	serial = open(arguments[1], O_RDWR | O_NONBLOCK | O_CLOEXEC);
	if (serial < 0) {
		perror(arguments[1]);
		return 1;
	}
	run_open("/dev/" PULSE_DEVICE);
	settings_reset();
	mlockall(MCL_CURRENT | MCL_FUTURE);
	for (;;) {
		struct pollfd ready = { .fd = serial, .events = POLLIN | (out_length ? POLLOUT : 0) };
		char bytes[256];
		ssize_t got;

		poll(&ready, 1, run_active() || out_length ? RUN_POLL_MS : -1);
		if (ready.revents & POLLHUP)
			usleep(50000); /* nobody at the other end */
		got = read(serial, bytes, sizeof(bytes));
		for (ssize_t i = 0; i < got; i++) {
			take(bytes[i]);
			flush();
		}
		run_poll();
		run_held();
		flush();
	}
}
