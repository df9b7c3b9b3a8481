// SPDX-License-Identifier: MIT
/*
 * Usage: draw-intervals ARRIVAL SEED PERIOD FLOOR SPREAD COUNT (times in ticks; of pairs FLOOR and SPREAD are the
 * shortest and the longest gap)
 * Prints what the pulse source's own arithmetic makes of a pattern; compiled by a test, not part of the board.
 */
#include <stdio.h>
#include <stdlib.h>

#include "arrivals.h"

int main(int count, char **arguments)
{
	unsigned long long numbers[6];

	if (count != 7)
		return 2;
	for (int i = 0; i < 6; i++)
		numbers[i] = strtoull(arguments[i + 1], NULL, 10);
	struct pulse_plan plan = { .arrival = numbers[0], .period = numbers[2], .floor = numbers[3], .spread = numbers[4] };
	struct arrivals state = { .random = numbers[1] };

	plan.shortest_gap = plan.floor;
	plan.longest_gap = plan.spread;

	for (unsigned long long i = 0; i < numbers[5]; i++)
		printf("%llu\n", (unsigned long long)next_interval(&plan, &state));
	return 0;
}
