#include "pins.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>

#define PINS 20

enum { NO_OUTPUT, OC0A, OC0B, OC1A, OC1B, OC2A, OC2B };

static const uint8_t bit_of[PINS] PROGMEM = {
	1, 2, 4, 8, 16, 32, 64, 128, 1, 2, 4, 8, 16, 32, 1, 2, 4, 8, 16, 32,
};

static const uint16_t port_of[PINS] PROGMEM = {
	(uint16_t)&PORTD, (uint16_t)&PORTD, (uint16_t)&PORTD, (uint16_t)&PORTD, (uint16_t)&PORTD,
	(uint16_t)&PORTD, (uint16_t)&PORTD, (uint16_t)&PORTD, (uint16_t)&PORTB, (uint16_t)&PORTB,
	(uint16_t)&PORTB, (uint16_t)&PORTB, (uint16_t)&PORTB, (uint16_t)&PORTB, (uint16_t)&PORTC,
	(uint16_t)&PORTC, (uint16_t)&PORTC, (uint16_t)&PORTC, (uint16_t)&PORTC, (uint16_t)&PORTC,
};

static const uint8_t output_of[PINS] PROGMEM = {
	[3] = OC2B, [5] = OC0B, [6] = OC0A, [9] = OC1A, [10] = OC1B, [11] = OC2A,
};

static void stop_pulse_width_output(uint8_t output)
{
	switch (output) {
	case OC0A: TCCR0A &= ~_BV(COM0A1); break;
	case OC0B: TCCR0A &= ~_BV(COM0B1); break;
	case OC1A: TCCR1A &= ~_BV(COM1A1); break;
	case OC1B: TCCR1A &= ~_BV(COM1B1); break;
	case OC2A: TCCR2A &= ~_BV(COM2A1); break;
	case OC2B: TCCR2A &= ~_BV(COM2B1); break;
	}
}

void pin_write(uint8_t pin, uint8_t level)
{
	volatile uint8_t *port;
	uint8_t bit, output, status;

	if (pin >= PINS)
		return;
	bit = pgm_read_byte(&bit_of[pin]);
	output = pgm_read_byte(&output_of[pin]);
	port = (volatile uint8_t *)pgm_read_word(&port_of[pin]);
	if (output != NO_OUTPUT)
		stop_pulse_width_output(output);
	status = SREG;
	cli();
	if (level)
		*port |= bit;
	else
		*port &= ~bit;
	SREG = status;
}
