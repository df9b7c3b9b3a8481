#ifndef TIMER_FAULTS_H
#define TIMER_FAULTS_H

/* What the simulator's timer 1 gets wrong or leaves out, put right. */

#include "core.h"

void timer_faults_init(struct core *core);

/* A match that fell between an overflow and the simulator's noticing it is dropped there; makes up for it. Call
 * after the simulator's own timers have run. */
void timer_faults_missed_match(struct core *core);

/* Brings the two output pins up to date; a change counts from the given cycle. */
void timer_faults_update_pins(struct core *core, uint64_t cycle);

#endif
