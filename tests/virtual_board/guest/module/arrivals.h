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

/* Where a run of intervals has come to. */
struct arrivals {
	__u32 random;
	__u64 gap; /* of the pair whose rest was the last interval; 0 when a rest comes next */
};

/* The gaps of pairs: four steps to an octave. */
static inline __u64 gap_step(__u64 shortest, __u32 step)
{
	__u64 octave = shortest << (step >> 2);

	return octave + ((octave * (step & 3)) >> 2);
}

/* number * drawn / 2^32, of up to 69 bits, so it is made of two products of 64 */
static inline __u64 scaled(__u64 number, __u64 drawn)
{
	return (number >> 32) * drawn + (((number & 0xffffffff) * drawn) >> 32);
}

static inline __u64 next_of_pair(const struct pulse_plan *plan, struct arrivals *state)
{
	__u64 rest, gap = state->gap;
	__u32 steps = 0;

	state->gap = 0;
	if (gap)
		return gap;
	while (gap_step(plan->shortest_gap, steps) <= plan->longest_gap)
		steps++;
	rest = 2 * plan->period - plan->period / 2 + scaled(plan->period + 1, draw(&state->random));
	state->gap = gap_step(plan->shortest_gap, scaled(steps, draw(&state->random)));
	return rest - state->gap;
}

static inline __u64 next_interval(const struct pulse_plan *plan, struct arrivals *state)
{
	if (plan->arrival == ARRIVAL_PAIRS)
		return next_of_pair(plan, state);
	if (plan->arrival == ARRIVAL_PERIODIC)
		return plan->period;
	if (plan->arrival == ARRIVAL_UNIFORM)
		return plan->period - plan->spread + scaled(2 * plan->spread + 1, draw(&state->random));
	return plan->floor + (((plan->period - plan->floor) * minus_log(draw(&state->random))) >> 16);
}

#endif
