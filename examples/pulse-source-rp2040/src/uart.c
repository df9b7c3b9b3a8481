#include "uart_rings.h"

#include "pins.h"
#include "registers.h"
#include "usb.h"

/* The chip's own FIFOs hold 32 bytes each way, 640 us at 500 kBd; both are looked after every 100 us, and so is USB. */

void uart_wake_irq_off(void)
{
	if (usb_is_spoken_to())
		return; /* it takes as much as there is, each time it is looked after */
	while (!uart_all_sent() && !(UART_FLAGS & UART_TX_FULL))
		UART_DATA = uart_next_irq_off();
}

void uart_serve_irq_off(void)
{
	while (!(UART_FLAGS & UART_RX_EMPTY)) {
		uint32_t data = UART_DATA;

		usb_let_go_irq_off();
		uart_receive_irq_off(data, data & UART_DATA_DAMAGED);
	}
	usb_serve_irq_off();
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
