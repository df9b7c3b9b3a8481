#include "uart.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <util/atomic.h>

#define RECEIVED_SLOTS 128 /* powers of two */
#define SENDING_SLOTS 64
#define RECEIVED_MASK (RECEIVED_SLOTS - 1)
#define SENDING_MASK (SENDING_SLOTS - 1)

static uint8_t received[RECEIVED_SLOTS], sending[SENDING_SLOTS];
static volatile uint8_t received_in, received_out, sending_in, sending_out;
static volatile bool cleared, overrun;

ISR(USART_RX_vect)
{
	bool damaged = UCSR0A & (_BV(DOR0) | _BV(FE0));
	uint8_t byte = UDR0;

	if (damaged)
		overrun = true;
	if (byte == DEVICE_CLEAR) {
		received_out = received_in;
		cleared = true;
		overrun = false;
	} else if ((uint8_t)(received_in - received_out) == RECEIVED_SLOTS) {
		overrun = true;
	} else {
		received[received_in & RECEIVED_MASK] = byte;
		received_in++;
	}
}

ISR(USART_UDRE_vect)
{
	if (sending_in == sending_out) {
		UCSR0B &= ~_BV(UDRIE0);
		return;
	}
	UDR0 = sending[sending_out & SENDING_MASK];
	sending_out++;
}

void uart_init(void)
{
	UBRR0 = 3; /* 16 MHz / 8 / (3 + 1) = 500 kBd, exactly */
	UCSR0A = _BV(U2X0);
	UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
	UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

uint8_t uart_room(void)
{
	return SENDING_SLOTS - (uint8_t)(sending_in - sending_out);
}

void uart_put(uint8_t byte)
{
	while (uart_room() == 0)
		;
	sending[sending_in & SENDING_MASK] = byte;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		sending_in++;
		UCSR0B |= _BV(UDRIE0);
	}
}

void uart_text(const char *text)
{
	while (*text)
		uart_put(*text++);
}

void uart_text_flash(const char *text)
{
	uint8_t byte;

	while ((byte = pgm_read_byte(text++)))
		uart_put(byte);
}

bool uart_take(uint8_t *byte)
{
	bool any = false;

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		if (received_in != received_out) {
			*byte = received[received_out & RECEIVED_MASK];
			received_out++;
			any = true;
		}
	}
	return any;
}

static bool take_flag(volatile bool *flag)
{
	bool was;

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		was = *flag;
		*flag = false;
	}
	return was;
}

bool uart_device_cleared(void)
{
	return take_flag(&cleared);
}

bool uart_overrun(void)
{
	return take_flag(&overrun);
}
