#include "capture.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "records.h"
#include "timebase.h"

/* The unit stamps one direction at a time, and the interrupt turns it round. An edge that comes before it is
 * turned has no stamp: a pulse shorter than the interrupt's delay is reported as "fall lost", never with the
 * stamp of some other edge. */

static inline bool rising_selected(void)
{
	return TCCR1B & _BV(ICES1);
}

static inline void select_edge(bool rising)
{
	if (rising)
		TCCR1B |= _BV(ICES1);
	else
		TCCR1B &= ~_BV(ICES1);
}

/* The captured count is younger than one wrap, so its 32-bit time is the time now less its age. */
static inline uint32_t stamp_of(uint16_t captured)
{
	uint32_t now = timebase_now_irq_off();

	return now - (uint16_t)((uint16_t)now - captured);
}

static void fall_lost(void)
{
	records_push_irq_off(RECORD_FALL_LOST, timebase_now_irq_off());
}

ISR(TIMER1_CAPT_vect)
{
	uint16_t captured = ICR1;

	if (rising_selected()) {
		bool again, high;

		select_edge(false);
		again = TIFR1 & _BV(ICF1);
		TIFR1 = _BV(ICF1); /* turning the unit round may set the flag */
		high = PINB & _BV(PINB0);

		records_push_irq_off(RECORD_RISE, stamp_of(captured));
		if (high && !again)
			return; /* the usual case: the falling edge is still to come */
		fall_lost();
		if (high) { /* a second pulse began before the first one's fall could be stamped */
			records_push_irq_off(RECORD_RISE, stamp_of(ICR1));
			return;
		}
		select_edge(true);
		TIFR1 = _BV(ICF1);
	} else {
		bool unseen;

		select_edge(true);
		TIFR1 = _BV(ICF1);
		unseen = PINB & _BV(PINB0);
		if (unseen) {
			/* The capture unit's edge detector answers a few cycles after the pin register. */
			__builtin_avr_delay_cycles(4);
			unseen = !(TIFR1 & _BV(ICF1));
		}
		records_push_irq_off(RECORD_FALL, stamp_of(captured));
		if (unseen)
			fall_lost(); /* the next pulse rose before the unit was turned: it cannot be timed */
	}
}

void capture_start(void)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		select_edge(true);
		TIFR1 = _BV(ICF1);
		TIMSK1 |= _BV(ICIE1);
	}
}

void capture_stop(void)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		TIMSK1 &= ~_BV(ICIE1);
	}
}

bool capture_level(void)
{
	return PINB & _BV(PINB0);
}
