#include "timebase.h"

#include <avr/interrupt.h>
#include <util/atomic.h>

volatile uint16_t timebase_wraps;

ISR(TIMER1_OVF_vect)
{
	timebase_wraps++;
}

void timebase_start(void)
{
	TCCR1A = 0;
	TCCR1B = _BV(ICES1) | _BV(CS10);
	TIMSK1 = _BV(TOIE1);
}

uint32_t timebase_now(void)
{
	uint32_t now;

	/* Besides the 32 bits, this keeps an interrupt from using the timer's shared high-byte latch between the
	 * two halves of TCNT1. */
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		now = timebase_now_irq_off();
	}
	return now;
}
