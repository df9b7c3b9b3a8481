/* Board under test, the quick way: the interrupt handler writes the port itself. */

#include <avr/interrupt.h>
#include <avr/io.h>

#include "board.h"

ISR(INT0_vect)
{
	PORTB |= _BV(PORTB0);
	PORTB &= ~_BV(PORTB0);
}

int main(void)
{
	board_start();
	for (;;)
		;
}
