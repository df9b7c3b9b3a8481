#ifndef BOARD_H
#define BOARD_H

/* What both boards share: the answer's pins and a timer interrupt that counts milliseconds.
 *
 * Stimulus in on INT0 (PD2), response out on PB0. Timer 0 overflows every 64 * 256 = 16384 cycles, 1.024 ms at
 * 16 MHz, and its interrupt keeps a millisecond count: whoever is answered while it runs is answered late. */

void board_start(void);

#endif
