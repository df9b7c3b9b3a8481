#include "uart_rings.h"

#include "pins.h"
#include "registers.h"

/* The chip's own FIFOs hold 32 bytes each way, 640 us at 500 kBd; both are looked after every 100 us. */

void uart_wake_irq_off(void)
{
	while (!uart_all_sent() && !(UART_FLAGS & UART_TX_FULL))
		UART_DATA = uart_next_irq_off();
}

void uart_serve_irq_off(void)
{
	while (!(UART_FLAGS & UART_RX_EMPTY)) {
		uint32_t data = UART_DATA;

		uart_receive_irq_off(data, data & UART_DATA_DAMAGED);
	}
	uart_wake_irq_off();
}

void uart_init(void)
{
	PAD(PIN_SERIAL_IN) = PAD_INPUT | PAD_SCHMITT | PAD_PULL_UP;
	PAD(PIN_SERIAL_OUT) = PAD_INPUT | PAD_SCHMITT | PAD_PULL_UP | PAD_4_MA;
	GPIO_CTRL(PIN_SERIAL_IN) = GPIO_UART;
	GPIO_CTRL(PIN_SERIAL_OUT) = GPIO_UART;
	UART_DIVISOR = 15; /* 125 MHz / 16 / (15 + 40 / 64) = 500 kBd, exactly */
	UART_FRACTION = 40;
	UART_LINE = UART_8_BITS | UART_FIFOS;
	UART_CTRL = UART_ON;
}
