/* Each interrupt sends the timer count that its handler reads first of all, less the count of the match. On the chip
 * that is at least 4 cycles for the entry, 3 for the jump in the vector and what is left of an instruction; the main
 * program runs one-cycle instructions. */

#include <avr/interrupt.h>
#include <avr/io.h>

register uint8_t kept_free asm("r3");

ISR(TIMER1_COMPB_vect, ISR_NAKED)
{
	asm volatile("lds r3, %0\n\tout %1, r3\n\treti"
		     :
		     : "n"(_SFR_MEM_ADDR(TCNT1L)), "n"(_SFR_IO_ADDR(GPIOR0)));
}

int main(void)
{
	UBRR0 = 3;
	UCSR0A = _BV(U2X0);
	UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
	UCSR0B = _BV(TXEN0);
	OCR1B = 0x4000;
	TIMSK1 = _BV(OCIE1B);
	TCCR1B = _BV(CS10);
	for (;;) {
		GPIOR0 = 0;
		sei();
		while (!GPIOR0)
			asm volatile(".rept 64\n\tnop\n\t.endr");
		cli();
		UDR0 = GPIOR0;
		TCNT1 = 0;
	}
}
