#ifndef SERVING_H
#define SERVING_H

/* Empties the serial line's FIFO and fills it; interrupts must be off, or this one be running. */
void uart_serve_irq_off(void);

#endif
