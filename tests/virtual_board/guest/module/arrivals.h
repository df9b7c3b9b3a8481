/* SPDX-License-Identifier: MIT OR GPL-2.0
 *
 * The arrival patterns of examples/pulse-source/COMMANDS.md, bit for bit. Used by the module, and by a test alone.
 */
#ifndef EDGEREPLY_ARRIVALS_H
#define EDGEREPLY_ARRIVALS_H

#include "pulse_abi.h"

static const __u32 log2_table[65] = {
	/* floor(65536 * log2(1 + i / 64) + 0.5) */
	0, 1466, 2909, 4331, 5732, 7112, 8473, 9814, 11136, 12440, 13727, 14996,
	16248, 17484, 18704, 19909, 21098, 22272, 23433, 24579, 25711, 26830, 27936, 29029,
	30109, 31178, 32234, 33279, 34312, 35334, 36346, 37346, 38336, 39316, 40286, 41246,
	42196, 43137, 44068, 44990, 45904, 46809, 47705, 48593, 49472, 50344, 51207, 52063,
	52911, 53751, 54584, 55410, 56229, 57040, 57845, 58643, 59434, 60219, 60997, 61769,
	62534, 63294, 64047, 64794, 65536,
};

/* xorshift32, Marsaglia 2003 */
static inline __u32 draw(__u32 *state)
{
	__u32 x = *state;

	x ^= x << 13;
	x ^= x >> 17;
	x ^= x << 5;
	return *state = x;
}

/* -ln(x / 2^32) in 1/65536 */
static inline __u32 minus_log(__u32 x)
{
	__u32 n = 31 - __builtin_clz(x);
	__u32 m = (x << (31 - n)) & 0x7fffffff;
	__u32 i = m >> 25;
	__u32 f = (m >> 9) & 0xffff;
	__u32 l = (n << 16) + log2_table[i] + (((log2_table[i + 1] - log2_table[i]) * f) >> 16);

	return ((__u64)((32U << 16) - l) * 45426) >> 16;
}

static inline __u64 next_interval(const struct pulse_plan *plan, __u32 *state)
{
	if (plan->arrival == ARRIVAL_PERIODIC)
		return plan->period;
	if (plan->arrival == ARRIVAL_UNIFORM) {
		/* draw * width / 2^32: the product has up to 69 bits, so it is made of two of 64 */
		__u64 width = 2 * plan->spread + 1;
		__u64 drawn = draw(state);

		return plan->period - plan->spread + (width >> 32) * drawn +
		       (((width & 0xffffffff) * drawn) >> 32);
	}
	return plan->floor + (((plan->period - plan->floor) * minus_log(draw(state))) >> 16);
}

#endif
