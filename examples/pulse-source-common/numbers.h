#ifndef NUMBERS_H
#define NUMBERS_H

/* Decimal numbers of IEEE 488.2 (NRf in, NR1 and NR3 out), without floating point. */

#include <stdbool.h>
#include <stdint.h>

enum number_result {
	NUMBER_OK,
	NUMBER_NOT_ONE,  /* the text is no number, or has a suffix it may not have */
	NUMBER_TOO_BIG,  /* negative, or beyond 32 bits */
};

/* A whole number, rounded to nearest. */
enum number_result number_integer(const char *text, uint32_t *value);

/* A time in seconds, or with a suffix S, MS, US, NS, as ticks: floor(seconds * tick rate + 0.5). Twelve digits
 * count; further ones are dropped. */
enum number_result number_ticks(const char *text, uint32_t *ticks);

void number_send_integer(uint32_t value);
void number_send_signed(int16_t value);

/* Ticks as seconds, exactly. */
void number_send_seconds(uint32_t ticks);

#endif
