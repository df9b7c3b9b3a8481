#include "uart_rings.h"

#include <avr/interrupt.h>

ISR(USART_RX_vect)
{
	bool damaged = UCSR0A & (_BV(DOR0) | _BV(FE0)); /* before the byte: reading it clears this */
	uint8_t byte = UDR0;

	uart_receive_irq_off(byte, damaged);
}

ISR(USART_UDRE_vect)
{
	if (uart_all_sent()) {
		UCSR0B &= ~_BV(UDRIE0);
		return;
	}
	UDR0 = uart_next_irq_off();
}

void uart_init(void)
{
	UBRR0 = 3; /* 16 MHz / 8 / (3 + 1) = 500 kBd, exactly */
	UCSR0A = _BV(U2X0);
	UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
	UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}
