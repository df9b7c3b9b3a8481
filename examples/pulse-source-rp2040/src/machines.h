#ifndef MACHINES_H
#define MACHINES_H

/* The four state machines: one makes the stimulus, three look at the pins. They are started together at the beginning
 * of a run and all stopped at its end. */

#include <stdbool.h>
#include <stdint.h>

enum machine {
	MACHINE_STIMULUS,       /* makes the edges */
	MACHINE_LEADING,        /* sees the stimulus' leading edges on its own pin */
	MACHINE_RISES,          /* of the response */
	MACHINE_FALLS,
};

void machines_init(void);

/* Idle high when inverted: both directions of the stimulus pin are turned over outside the state machines. */
void machines_invert(bool inverted);

/* Starts all machines in one cycle and returns the tick they begin at; interrupts must be off. */
uint64_t machines_start(void);

/* Stops all machines; the stimulus pin goes idle at once. What was stamped can still be taken. */
void machines_stop(void);

/* Room for ticks at which the stimulus pin shall turn over. */
bool machines_room(uint8_t ticks);

/* The pin will turn over so that its change is seen at this tick, which must be ahead. */
void machines_turn_at(uint32_t tick);

/* Takes the oldest stamp of a machine that looks; false when there is none. */
bool machines_take(enum machine machine, uint32_t *tick);

/* True once after a machine had a stamp and no room for it. */
bool machines_overflowed(enum machine machine);

#endif
