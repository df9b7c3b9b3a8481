#ifndef TICKS_H
#define TICKS_H

/* Everything that depends on the clock: one tick is one cycle of the 16 MHz clock, 62.5 ns. */

#include <stdint.h>

#define TICKS_PER_SECOND F_CPU
#define TICKS_PER_MS (F_CPU / 1000UL)
#define TICKS_FROM_US(us) ((us) * (F_CPU / 1000000UL))

/* The tick rate is TICK_RATE_DIGITS * 10^TICK_RATE_EXPONENT Hz, and a tick TICK_DIGITS * 10^-TICK_PLACES s, exactly. */
#define TICK_RATE_DIGITS 16
#define TICK_RATE_EXPONENT 6
#define TICK_DIGITS 625
#define TICK_PLACES 10

/* An interval between stimuli. */
typedef uint32_t interval_t;

#if F_CPU != 16000000UL
#error "the tick's digits above and the 500 kBd divisor in uart.c are written for 16 MHz"
#endif

#endif
