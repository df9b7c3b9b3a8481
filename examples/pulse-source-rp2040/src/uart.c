#include "uart.h"

#include "chip.h"
#include "pins.h"
#include "registers.h"
#include "serving.h"

/* The chip's own FIFOs hold 32 bytes each way, 640 us at 500 kBd; both are looked after every 100 us. */

#define RECEIVED_SLOTS 128 /* powers of two */
#define SENDING_SLOTS 128
#define RECEIVED_MASK (RECEIVED_SLOTS - 1)
#define SENDING_MASK (SENDING_SLOTS - 1)

static uint8_t received[RECEIVED_SLOTS], sending[SENDING_SLOTS];
static volatile uint8_t received_in, received_out, sending_in, sending_out;
static volatile bool cleared, overrun;

static void receive(void)
{
	uint32_t data = UART_DATA;
	uint8_t byte = data;

	if (data & UART_DATA_DAMAGED)
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

static void send(void)
{
	while (sending_in != sending_out && !(UART_FLAGS & UART_TX_FULL)) {
		UART_DATA = sending[sending_out & SENDING_MASK];
		sending_out++;
	}
}

void uart_serve_irq_off(void)
{
	while (!(UART_FLAGS & UART_RX_EMPTY))
		receive();
	send();
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

uint8_t uart_room(void)
{
	return SENDING_SLOTS - (uint8_t)(sending_in - sending_out);
}

void uart_put(uint8_t byte)
{
	while (uart_room() == 0)
		;
	IRQ_OFF {
		sending[sending_in & SENDING_MASK] = byte;
		sending_in++;
		send();
	}
}

void uart_text(const char *text)
{
	while (*text)
		uart_put(*text++);
}

void uart_text_flash(const char *text)
{
	uart_text(text);
}

bool uart_take(uint8_t *byte)
{
	bool any = false;

	IRQ_OFF {
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

	IRQ_OFF {
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
