#ifndef TICKS_H
#define TICKS_H

/* Everything that depends on the clock. A state machine looks at its pin once in two cycles of the system clock: one
 * tick is 2 / 125 MHz = 16 ns. */

#include <stdint.h>

#define CRYSTAL_HZ 12000000ul
#define CLOCK_HZ 125000000ul
#define CYCLES_PER_TICK 2

#define TICKS_PER_SECOND (CLOCK_HZ / CYCLES_PER_TICK)
#define TICKS_PER_MS (TICKS_PER_SECOND / 1000)
#define TICKS_FROM_US(us) ((us) * (TICKS_PER_SECOND / 100000) / 10)

/* The tick rate is TICK_RATE_DIGITS * 10^TICK_RATE_EXPONENT Hz, and a tick TICK_DIGITS * 10^-TICK_PLACES s, exactly. */
#define TICK_RATE_DIGITS 625
#define TICK_RATE_EXPONENT 5
#define TICK_DIGITS 16
#define TICK_PLACES 9

/* An interval between stimuli; the longest ones are more than 32 bits of ticks. */
typedef uint64_t interval_t;

#if CLOCK_HZ != 125000000
#error "the tick's digits above, the PLL in clocks.c and the 500 kBd divisor in uart.c are written for 125 MHz"
#endif

#endif
