#ifndef TICKS_H
#define TICKS_H

/* Everything that depends on the clock: one tick is one cycle of the 16 MHz clock, 62.5 ns. */

#define TICKS_PER_SECOND F_CPU
#define TICKS_PER_US (F_CPU / 1000000UL)
#define TICKS_PER_MS (F_CPU / 1000UL)

#if F_CPU != 16000000UL
#error "the tick arithmetic in numbers.c and the 500 kBd divisor in uart.c are written for 16 MHz"
#endif

#endif
