/* A better clock: pulses on PB0 every 40,002 cycles of it, 100 us wide, made by the timer's flags. */

#include <avr/io.h>

#define PERIOD 40002u
#define WIDTH 1600u

int main(void)
{
	DDRB = _BV(PB0);
	OCR1A = PERIOD - 1;
	OCR1B = WIDTH;
	TCCR1B = _BV(WGM12) | _BV(CS10);
	for (;;) {
		while (!(TIFR1 & _BV(OCF1A)))
			;
		PORTB = _BV(PB0);
		TIFR1 = _BV(OCF1A);
		while (!(TIFR1 & _BV(OCF1B)))
			;
		PORTB = 0;
		TIFR1 = _BV(OCF1B);
	}
}
