#include "timebase.h"

#include "registers.h"
#include "ticks.h"

/* The 32 bits that are reported wrap half a second after the start, so that a fault in wrapping cannot hide for the
 * minute that a wrap takes otherwise. */
#ifndef TICKS_AT_START
#define TICKS_AT_START ((1ull << 32) - TICKS_PER_SECOND / 2)
#endif

static uint64_t microseconds(void)
{
	uint32_t high, low;

	do {
		high = TIMER_RAW_HIGH;
		low = TIMER_RAW_LOW;
	} while (TIMER_RAW_HIGH != high);
	return (uint64_t)high << 32 | low;
}

/* 62.5 ticks a microsecond */
static uint64_t ticks_at(uint64_t us)
{
	return TICKS_AT_START + us * (CLOCK_HZ / 1000000) / CYCLES_PER_TICK;
}

uint64_t timebase_now_long(void)
{
	return ticks_at(microseconds());
}

uint64_t timebase_ahead(uint32_t us)
{
	return ticks_at(microseconds() + us);
}

void timebase_wait(uint64_t tick)
{
	while (timebase_now_long() < tick)
		;
}
