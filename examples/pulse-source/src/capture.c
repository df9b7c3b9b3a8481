#include "capture.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>
#include <util/atomic.h>

#include "records.h"
#include "timebase.h"

/* The unit stamps one direction at a time, and the interrupt turns it round. An edge that comes before it is
 * turned has no stamp: such a pulse is reported as "fall lost", never with the stamp of some other edge. */

/* What the first instructions of the interrupt saw. */
static volatile uint8_t flags_when_turned, pins_when_turned;

/* Turns the unit round within 28 cycles of the edge, before anything else is saved, so that pulses from about 2 us
 * can be timed; the captured count and the line's level just before go into
 * spare registers. The rest is done by an ordinary handler. */
ISR(TIMER1_CAPT_vect, ISR_NAKED)
{
	asm volatile("push r24\n\t"
		     "in r24, __SREG__\n\t"
		     "push r24\n\t"
		     "push r25\n\t"
		     "lds r24, %[icrl]\n\t"
		     "out %[gpior1], r24\n\t"
		     "lds r24, %[icrh]\n\t"
		     "out %[gpior2], r24\n\t"
		     "lds r24, %[tccr1b]\n\t"
		     "ldi r25, %[ices]\n\t"
		     "eor r24, r25\n\t"
		     "in r25, %[pinb]\n\t"
		     "out %[gpior0], r25\n\t"
		     "sts %[tccr1b], r24\n\t"
		     "ldi r25, %[icf]\n\t"
		     "in r24, %[tifr1]\n\t"
		     "out %[tifr1], r25\n\t" /* turning the unit round may have set the flag */
		     "in r25, %[pinb]\n\t"
		     "sts %[flags], r24\n\t"
		     "sts %[pins], r25\n\t"
		     "pop r25\n\t"
		     "pop r24\n\t"
		     "out __SREG__, r24\n\t"
		     "pop r24\n\t"
		     "jmp __vector_capture_turned"
		     :
		     : [icrl] "n"(_SFR_MEM_ADDR(ICR1L)), [icrh] "n"(_SFR_MEM_ADDR(ICR1H)),
		       [gpior0] "n"(_SFR_IO_ADDR(GPIOR0)), [gpior1] "n"(_SFR_IO_ADDR(GPIOR1)), [gpior2] "n"(_SFR_IO_ADDR(GPIOR2)),
		       [tccr1b] "n"(_SFR_MEM_ADDR(TCCR1B)), [ices] "n"(_BV(ICES1)), [icf] "n"(_BV(ICF1)),
		       [tifr1] "n"(_SFR_IO_ADDR(TIFR1)), [pinb] "n"(_SFR_IO_ADDR(PINB)),
		       [flags] "m"(flags_when_turned), [pins] "m"(pins_when_turned));
}

static inline void expect_rise(void)
{
	TCCR1B |= _BV(ICES1);
	TIFR1 = _BV(ICF1);
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

void __vector_capture_turned(void) __attribute__((signal, used));
void __vector_capture_turned(void)
{
	uint16_t captured = (uint16_t)GPIOR2 << 8 | GPIOR1;
	bool rose = !(TCCR1B & _BV(ICES1));
	bool again = flags_when_turned & _BV(ICF1);
	bool high = pins_when_turned & _BV(PINB0);
	bool still_high = high && GPIOR0 & _BV(PINB0); /* low before, high after: a second pulse */

	records_push_irq_off(rose ? RECORD_RISE : RECORD_FALL, stamp_of(captured));
	if (rose) {
		if (still_high && !again)
			return; /* the usual case: the falling edge is still to come */
		fall_lost();
		if (high)
			fall_lost(); /* a second pulse has begun meanwhile; it cannot be timed either */
		expect_rise();
	} else if (high && !(TIFR1 & _BV(ICF1))) {
		fall_lost(); /* the next pulse rose before the unit was turned: it cannot be timed */
	}
}

void capture_start(void)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		expect_rise();
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
