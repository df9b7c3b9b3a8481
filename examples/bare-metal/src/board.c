#include "board.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

static volatile uint32_t overflows, milliseconds;
static uint8_t fraction; /* eighths of 1/125 ms */

/* 1.024 ms: one whole millisecond and 3/125, carried over until it makes another. */
ISR(TIMER0_OVF_vect)
{
	uint32_t now = milliseconds;
	uint8_t part = fraction + 3;

	now++;
	if (part >= 125) {
		part -= 125;
		now++;
	}
	fraction = part;
	milliseconds = now;
	overflows++;
}

void board_start(void)
{
	DDRB |= _BV(DDB0);
	TCCR0B = _BV(CS01) | _BV(CS00);
	TIMSK0 = _BV(TOIE0);
	EICRA = _BV(ISC01) | _BV(ISC00);
	EIMSK = _BV(INT0);
	sei();
}
