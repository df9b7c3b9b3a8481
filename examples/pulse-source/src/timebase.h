#ifndef TIMEBASE_H
#define TIMEBASE_H

/* Timer 1 runs freely at the CPU clock; counted overflows extend it to 32 bits. */

#include <avr/io.h>
#include <stdint.h>

extern volatile uint16_t timebase_wraps;

void timebase_start(void);

/* The time now; interrupts must be off.
 *
 * The counter is read first and the overflow flag exactly once after it. A flag seen together with a small
 * count is an overflow that came before the count and whose interrupt still waits; seen together with a large
 * count it came after. Reading the flag twice would let the two answers differ. */
static inline uint32_t timebase_now_irq_off(void)
{
	uint16_t count = TCNT1;
	uint8_t overflowed = TIFR1 & _BV(TOV1);
	uint16_t wraps = timebase_wraps;

	if (overflowed && count < 0x8000)
		wraps++;
	return (uint32_t)wraps << 16 | count;
}

/* The time now; leaves the interrupt flag as it was. */
uint32_t timebase_now(void);

#endif
