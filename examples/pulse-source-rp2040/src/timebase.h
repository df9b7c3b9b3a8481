#ifndef TIMEBASE_H
#define TIMEBASE_H

/* The time in ticks, from the chip's 64-bit microsecond timer: good to 1 us, for planning and for time marks. It never
 * stamps an edge; the state machines count for themselves and are set going on this time (pio.c). */

#include <stdint.h>

/* The time now, not wrapped. */
uint64_t timebase_now_long(void);

/* The time now; interrupts may be on or off. */
static inline uint32_t timebase_now_irq_off(void)
{
	return timebase_now_long();
}

static inline uint32_t timebase_now(void)
{
	return timebase_now_long();
}

/* The tick at which the microsecond begins that comes so many after the present one. */
uint64_t timebase_ahead(uint32_t us);

/* Returns as soon as that tick is over; interrupts should be off. */
void timebase_wait(uint64_t tick);

#endif
