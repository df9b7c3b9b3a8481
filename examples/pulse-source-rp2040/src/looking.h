#ifndef LOOKING_H
#define LOOKING_H

/* Turns stamps of the state machines into records; interrupts must be off, or this one be running. */
void capture_look_irq_off(void);

/* An input that oscillates is left alone after so many interrupts, until this is called again. */
void capture_breathe_irq_off(void);

#endif
