#include "arrivals.h"

#include "log2_table.h"

#define LN_2 45426UL /* 65536 * ln 2 */

static uint8_t pattern;
static uint32_t period, floor_ticks, spread;
static uint32_t state;

/* xorshift32 with the triple 13, 17, 5 (Marsaglia 2003). */
static uint32_t draw(void)
{
	state ^= state << 13;
	state ^= state >> 17;
	state ^= state << 5;
	return state;
}

static uint32_t table(uint8_t i)
{
	return i == 64 ? LOG2_TABLE_END : flash_word(&log2_table[i]);
}

/* 65536 * log2(x), by the table and a straight line between its entries. */
static uint32_t log2_65536(uint32_t x)
{
	uint8_t top = 31;
	uint32_t fraction, between;
	uint8_t i;

	while (!(x & 0x80000000UL)) {
		x <<= 1;
		top--;
	}
	fraction = x & 0x7fffffffUL;
	i = fraction >> 25;
	between = (fraction >> 9) & 0xffff;
	return ((uint32_t)top << 16) + table(i) + (((table(i + 1) - table(i)) * between) >> 16);
}

/* -ln(x / 2^32), in 1/65536. */
static uint32_t exponential(uint32_t x)
{
	uint32_t missing = (32UL << 16) - log2_65536(x);

	return ((uint64_t)missing * LN_2) >> 16;
}

void arrivals_start(const struct settings *settings)
{
	pattern = settings->pattern;
	period = settings->period;
	floor_ticks = settings->floor;
	spread = settings->spread;
	state = settings->seed;
}

/* x * (2 * spread + 1) / 2^32. The product may need more than 64 bits, so a 33rd bit of the width is taken apart. */
static interval_t uniform(uint32_t x)
{
	interval_t within = ((uint64_t)x * (2 * spread + 1)) >> 32;

	return spread & 0x80000000UL ? within + x : within;
}

interval_t arrivals_next(void)
{
	switch (pattern) {
	case PATTERN_UNIFORM:
		return period - spread + uniform(draw());
	case PATTERN_EXPONENTIAL:
		return floor_ticks + (interval_t)(((uint64_t)(period - floor_ticks) * exponential(draw())) >> 16);
	default:
		return period;
	}
}
