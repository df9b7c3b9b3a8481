#ifndef UART_H
#define UART_H

/* The serial line, 500 kBd, 8N1, both directions through rings that interrupts fill and empty. */

#include <stdbool.h>
#include <stdint.h>

#define DEVICE_CLEAR 0x03

void uart_init(void);

/* Waits for room when the ring is full; at 500 kBd a byte leaves every 20 us. */
void uart_put(uint8_t byte);
uint8_t uart_room(void);
void uart_text(const char *text);
void uart_text_flash(const char *text);

/* Takes one received byte; false when there is none. */
bool uart_take(uint8_t *byte);

/* True once after a device clear arrived; what was received before it is gone. */
bool uart_device_cleared(void);

/* True once after bytes were lost because the ring was full. */
bool uart_overrun(void);

#endif
