#ifndef PLANNING_H
#define PLANNING_H

/* Hands planned edges over to the state machine that makes them, as far as it has room; interrupts must be off, or
 * this one be running. */
void stimulus_hand_over_irq_off(void);

#endif
