#ifndef UART_CHIP_H
#define UART_CHIP_H

/* What the rings of the serial line need from this chip. */

#include <avr/io.h>

#define SENDING_SLOTS 64

/* There is something to send. */
static inline void uart_wake_irq_off(void)
{
	UCSR0B |= _BV(UDRIE0);
}

#endif
