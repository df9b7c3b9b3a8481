/* SPDX-License-Identifier: MIT OR GPL-2.0 */
#ifndef EDGEREPLY_BENCH_H
#define EDGEREPLY_BENCH_H

#include <linux/gpio/driver.h>
#include <linux/types.h>

/* Pins are the chip's lines by offset, and after them the two sockets of the pulse source. */
#define PIN_STIMULUS 62
#define PIN_RESPONSE 63
#define PINS 64

int gpio_sim_pull(struct gpio_chip *gc, unsigned int offset, int value);

/* wires.c: callable from any context, with interrupts on or off */
int wires_init(struct gpio_chip *chip);
void wires_exit(void);
void wires_drive(unsigned int pin, bool level);
bool wires_level(unsigned int pin);

/* pulse.c */
int pulse_init(void);
void pulse_exit(void);
void pulse_response(bool level, u64 now);

/* trouble.c: from hard interrupt context */
int trouble_init(void);
void trouble_exit(void);
void trouble_stimulus(void);

#endif
