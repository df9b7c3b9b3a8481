/* SPDX-License-Identifier: MIT
 *
 * The pulse source's talking half, in user space of the virtual board. The command set is described in
 * examples/pulse-source/COMMANDS.md.
 */
#ifndef EDGEREPLY_SOURCE_H
#define EDGEREPLY_SOURCE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "pulse_abi.h"

/* pulse_source.c: the serial line */
void say(const void *bytes, size_t length);
void sayf(const char *format, ...) __attribute__((format(printf, 1, 2)));
size_t room(void);

/* scpi.c: headers, errors, status */
void execute(char *unit);
bool is_urgent(const char *unit);
void error(int number);
void operation_complete(void);

/* settings.c: the stimulus */
struct settings {
	uint64_t period, width, floor, spread, shortest_gap, longest_gap;
	uint32_t count, seed, arrival;
	bool inverted, output;
};
extern struct settings settings;
void settings_reset(void);
bool settings_agree(void);
bool parse_number(const char *text, bool is_time, double *value);
bool parse_whole(const char *text, double low, double high, uint32_t *value);
bool parse_time(const char *text, double low_s, double high_s, uint64_t *ticks);

/* run.c: runs and their records */
void run_open(const char *device);
bool run_active(void);
bool run_streaming(void);
bool run_waiting(void); /* a query or *WAI holds up what follows */
void run_init(void);
void run_read(void);
void run_fetch(void);
void run_abort(void);
void run_reset(void);
void run_wait(bool answer);
void run_idle(bool level);
bool run_response_level(void);
void run_poll(void);

#endif
