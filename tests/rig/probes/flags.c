/* Clearing TOV1 must leave OCF1B alone. Sends 'k' when it was kept, 'l' when it was lost,
   over and over: whoever opens the port late throws away what came before. */

#include <avr/io.h>

int main(void)
{
	uint8_t kept;

	UBRR0 = 3;
	UCSR0A = _BV(U2X0);
	UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
	UCSR0B = _BV(TXEN0);
	OCR1B = 1000;
	TCCR1B = _BV(CS10);
	while (!(TIFR1 & _BV(TOV1)))
		;
	TIFR1 = _BV(TOV1);
	kept = TIFR1 & _BV(OCF1B) && !(TIFR1 & _BV(TOV1));
	for (;;) {
		while (!(UCSR0A & _BV(UDRE0)))
			;
		UDR0 = kept ? 'k' : 'l';
	}
}
