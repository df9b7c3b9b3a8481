#ifndef UART_RINGS_H
#define UART_RINGS_H

/* The two rings of the serial line, for a chip's uart.c. What its interrupt handlers do to them is inline: a call would
 * have them save more registers, and captures wait meanwhile. */

#include <stdbool.h>
#include <stdint.h>

#include "uart.h"
#include "uart_chip.h"

#define RECEIVED_SLOTS 128 /* powers of two, as is SENDING_SLOTS */
#define RECEIVED_MASK (RECEIVED_SLOTS - 1)
#define SENDING_MASK (SENDING_SLOTS - 1)

extern uint8_t uart_received[RECEIVED_SLOTS], uart_sending[SENDING_SLOTS];
extern volatile uint8_t uart_received_in, uart_received_out, uart_sending_in, uart_sending_out;
extern volatile bool uart_was_cleared, uart_has_overrun;

/* damaged: the chip says that this byte is not what was sent, or not all that was. */
static inline void uart_receive_irq_off(uint8_t byte, bool damaged)
{
	if (damaged)
		uart_has_overrun = true;
	if (byte == DEVICE_CLEAR) {
		uart_received_out = uart_received_in;
		uart_was_cleared = true;
		uart_has_overrun = false;
	} else if ((uint8_t)(uart_received_in - uart_received_out) == RECEIVED_SLOTS) {
		uart_has_overrun = true;
	} else {
		uart_received[uart_received_in & RECEIVED_MASK] = byte;
		uart_received_in++;
	}
}

/* How many bytes may still be received before some are lost. */
static inline uint8_t uart_receive_room(void)
{
	return RECEIVED_SLOTS - (uint8_t)(uart_received_in - uart_received_out);
}

static inline bool uart_all_sent(void)
{
	return uart_sending_in == uart_sending_out;
}

/* The next byte to send; there must be one. */
static inline uint8_t uart_next_irq_off(void)
{
	uint8_t byte = uart_sending[uart_sending_out & SENDING_MASK];

	uart_sending_out++;
	return byte;
}

#endif
