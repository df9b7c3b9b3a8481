#ifndef STIMULUS_H
#define STIMULUS_H

/* The stimulus: every edge is made by a timer of the chip, never by an instruction. */

#include <stdbool.h>
#include <stdint.h>

#include "ticks.h"

void stimulus_init(void);

/* Idle high when inverted; changes the line at once. Only while nothing runs. */
void stimulus_set_polarity(bool inverted);

/* The first leading edge comes first_interval ticks after the tick that is returned, the run's start. */
uint32_t stimulus_start(interval_t first_interval, uint32_t width);

/* Plans the following leading edge, interval ticks after the one planned before it. */
void stimulus_plan(interval_t interval);
bool stimulus_plan_full(void);

/* No further edge will be planned: the run's last stimulus is in the plan. */
void stimulus_plan_complete(void);

/* Looks after edges that the interrupts could not take from the plan by themselves. */
void stimulus_poll(void);

/* True once the last trailing edge is out. */
bool stimulus_finished(void);

/* Ends everything and brings the line to its idle level at once. */
void stimulus_stop(void);

/* True when the line stands at its idle level. */
bool stimulus_line_idle(void);

#endif
