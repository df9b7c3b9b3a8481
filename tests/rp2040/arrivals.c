/* The firmware's arrival patterns on the computer that runs the tests, for intervals that take too long to wait for.
 *
 *   arrivals PATTERN PERIOD FLOOR SPREAD SEED COUNT      (ticks) */

#include <stdio.h>
#include <stdlib.h>

#include "arrivals.h"

int main(int argc, char **argv)
{
	struct settings settings = {0};

	if (argc != 7)
		return 2;
	settings.pattern = atoi(argv[1]);
	settings.period = strtoul(argv[2], NULL, 10);
	settings.floor = strtoul(argv[3], NULL, 10);
	settings.spread = strtoul(argv[4], NULL, 10);
	settings.seed = strtoul(argv[5], NULL, 10);
	arrivals_start(&settings);
	for (long count = atol(argv[6]); count; count--)
		printf("%llu\n", (unsigned long long)arrivals_next());
	return 0;
}
