#include "uart_rings.h"

#include "chip.h"

uint8_t uart_received[RECEIVED_SLOTS], uart_sending[SENDING_SLOTS];
volatile uint8_t uart_received_in, uart_received_out, uart_sending_in, uart_sending_out;
volatile bool uart_was_cleared, uart_has_overrun;

uint8_t uart_room(void)
{
	return SENDING_SLOTS - (uint8_t)(uart_sending_in - uart_sending_out);
}

void uart_put(uint8_t byte)
{
	while (uart_room() == 0)
		;
	uart_sending[uart_sending_in & SENDING_MASK] = byte;
	IRQ_OFF {
		uart_sending_in++;
		uart_wake_irq_off();
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

	while ((byte = flash_byte(text++)))
		uart_put(byte);
}

bool uart_take(uint8_t *byte)
{
	bool any = false;

	IRQ_OFF {
		if (uart_received_in != uart_received_out) {
			*byte = uart_received[uart_received_out & RECEIVED_MASK];
			uart_received_out++;
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
	return take_flag(&uart_was_cleared);
}

bool uart_overrun(void)
{
	return take_flag(&uart_has_overrun);
}
