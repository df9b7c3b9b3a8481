#ifndef UART_CHIP_H
#define UART_CHIP_H

/* What the rings of the serial line need from this chip, and what they need done every 100 us. */

#define SENDING_SLOTS 128

/* There is something to send: as much of it as the chip's FIFO takes goes there. */
void uart_wake_irq_off(void);

void uart_serve_irq_off(void);

#endif
