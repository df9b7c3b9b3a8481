/* Board under test, the comfortable way: pins have numbers, and a library finds port and bit at every write. */

#include <avr/interrupt.h>
#include <avr/io.h>

#include "board.h"
#include "pins.h"

#define RESPONSE_PIN 8 /* PB0 */

static void (*handler)(void);

static void answer(void)
{
	pin_write(RESPONSE_PIN, 1);
	pin_write(RESPONSE_PIN, 0);
}

ISR(INT0_vect)
{
	if (handler)
		handler();
}

int main(void)
{
	handler = answer;
	board_start();
	for (;;)
		;
}
