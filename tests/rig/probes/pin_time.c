/* PB0 rises by OUT, one cycle, and falls by the STS right behind it, two cycles: it is high for two cycles, because
 * a pin changes at the end of its instruction. */

#include <avr/io.h>

int main(void)
{
	DDRB = _BV(DDB0);
	asm volatile("ldi r24, 1\n\t"
		     "ldi r25, 0\n\t"
		     "out %0, r24\n\t"
		     "sts %1, r25"
		     :
		     : "n"(_SFR_IO_ADDR(PORTB)), "n"(_SFR_MEM_ADDR(PORTB))
		     : "r24", "r25");
	for (;;)
		;
}
