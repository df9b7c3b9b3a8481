#include "stimulus.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "records.h"
#include "timebase.h"

/* No compare value closer than this to the present count is written: it could be passed before it and the action
 * stand, which takes schedule() about 90 cycles. */
#define LEAST_LEAD_TICKS 160

/* An edge closer than this is the next match for certain. */
#define SURELY_NEXT_TICKS 60000

/* Two edges of the stimulus never come closer than the pulse width and this (20 us). */
#define LEAST_GAP_TICKS 320

#define PLAN_SLOTS 8 /* a power of two */

#define COMPARE_SETS (_BV(COM1A1) | _BV(COM1A0))
#define COMPARE_CLEARS _BV(COM1A1)

static uint8_t to_active = COMPARE_SETS;
static uint8_t to_idle = COMPARE_CLEARS;

static volatile uint32_t plan[PLAN_SLOTS]; /* ticks at which leading edges are due */
static volatile uint8_t plan_in, plan_out;
static volatile bool plan_complete, starved, finished = true;
static uint32_t planned; /* sum of all intervals so far */
static uint32_t pulse_width;

static uint32_t edge; /* the tick at which the line will change; the compare value is one less */
static bool leading;  /* that edge is a leading one */
static bool armed;    /* the compare unit will make that edge at its next match */

/* Until an edge is less than one wrap away, matches come that must not change the line, so the compare unit
 * keeps the action that led to the present level. Whether the next match is the right one is read off the 32-bit
 * time after OCR1A stands; a count of matches would be wrong when one passes while OCR1A is being written. */
static inline void arm_within_last_wrap(void)
{
	uint32_t away = edge - 1 - timebase_now_irq_off();

	if (away < 65536UL) {
		TCCR1A = leading ? to_active : to_idle;
		armed = true;
	}
}

/* An edge that is late already comes as soon as it can be made, and is stamped when it comes. */
static void schedule(uint32_t tick)
{
	uint32_t earliest = timebase_now_irq_off() + LEAST_LEAD_TICKS;
	int32_t spare = tick - earliest;

	if (spare < 0)
		tick = earliest;
	OCR1A = (uint16_t)(tick - 1);
	edge = tick;
	if (spare < SURELY_NEXT_TICKS) { /* no second look at the time: a close edge leaves none to spare */
		TCCR1A = leading ? to_active : to_idle;
		armed = true;
	} else {
		armed = false;
		arm_within_last_wrap();
	}
}

static inline void schedule_leading(void)
{
	uint32_t due = plan[plan_out & (PLAN_SLOTS - 1)];
	uint32_t earliest = edge + LEAST_GAP_TICKS;

	plan_out++;
	leading = true;
	schedule((int32_t)(due - earliest) < 0 ? earliest : due);
}

ISR(TIMER1_COMPA_vect)
{
	if (!armed) {
		schedule(edge);
		return;
	}
	if ((int32_t)(timebase_now_irq_off() - edge) < 0)
		return; /* a match of an earlier wrap, taken while arming */

	if (leading) {
		uint32_t stamp = edge;

		leading = false;
		schedule(stamp + pulse_width);
		records_push_irq_off(RECORD_STIMULUS, stamp);
	} else if (plan_in != plan_out) {
		schedule_leading();
	} else {
		TIMSK1 &= ~_BV(OCIE1A);
		if (plan_complete)
			finished = true;
		else
			starved = true;
	}
}

void stimulus_init(void)
{
	PORTB &= ~_BV(PORTB1);
	DDRB |= _BV(DDB1);
	stimulus_set_polarity(false);
}

void stimulus_set_polarity(bool inverted)
{
	to_active = inverted ? COMPARE_CLEARS : COMPARE_SETS;
	to_idle = inverted ? COMPARE_SETS : COMPARE_CLEARS;
	stimulus_stop();
}

void stimulus_stop(void)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		TIMSK1 &= ~_BV(OCIE1A);
		/* The strobe makes the compare unit act now: one clean edge at most, and no other driver of the line. */
		TCCR1A = to_idle;
		TCCR1C = _BV(FOC1A);
		/* Keeps the port's own level the same, for the moments after a reset when it drives the line. */
		if (to_idle == COMPARE_SETS)
			PORTB |= _BV(PORTB1);
		else
			PORTB &= ~_BV(PORTB1);
		plan_in = plan_out = 0;
		starved = false;
		finished = true;
	}
}

uint32_t stimulus_start(interval_t first_interval, uint32_t width)
{
	uint32_t start;

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		plan_in = plan_out = 0;
		plan_complete = starved = finished = false;
		pulse_width = width;
		start = timebase_now_irq_off();
		planned = start + first_interval;
		leading = true;
		TIFR1 = _BV(OCF1A);
		schedule(planned);
		TIMSK1 |= _BV(OCIE1A);
	}
	return start;
}

void stimulus_plan(interval_t interval)
{
	planned += interval;
	plan[plan_in & (PLAN_SLOTS - 1)] = planned;
	plan_in++; /* one byte, written last: the interrupt sees a whole entry or none */
}

bool stimulus_plan_full(void)
{
	return (uint8_t)(plan_in - plan_out) == PLAN_SLOTS;
}

void stimulus_plan_complete(void)
{
	plan_complete = true;
}

void stimulus_poll(void)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		if (starved && plan_in != plan_out) {
			starved = false;
			TIFR1 = _BV(OCF1A);
			schedule_leading();
			TIMSK1 |= _BV(OCIE1A);
		} else if (starved && plan_complete) {
			starved = false;
			finished = true;
		}
	}
}

bool stimulus_finished(void)
{
	return finished;
}

bool stimulus_line_idle(void)
{
	bool high = PINB & _BV(PINB1);

	return high == (to_idle == COMPARE_SETS);
}
