/* OC1A is set by one compare match, and OCR1A is written and the timer overflows several times after it: on the chip
 * the pin changes once. Then a match on the last count of all clears it. */

#include <avr/io.h>

static void overflow(void)
{
	TIFR1 = _BV(TOV1);
	while (!(TIFR1 & _BV(TOV1)))
		;
}

int main(void)
{
	DDRB = _BV(DDB1);
	OCR1A = 1000;
	TCCR1A = _BV(COM1A1) | _BV(COM1A0);
	TCCR1B = _BV(CS10);
	overflow();
	OCR1A = 2000;
	overflow();
	overflow();
	OCR1A = 65535;
	TCCR1A = _BV(COM1A1);
	overflow();
	for (;;)
		;
}
