#ifndef USB_H
#define USB_H

/* The chip's own USB as a serial port (CDC ACM), beside the UART: whoever spoke last is answered. It has no interrupt of
 * its own and is looked after every 100 us, so that nothing of it comes between an edge and its record. */

#include <stdbool.h>

void usb_init(void);

/* Takes what has arrived, answers what the host asks, and sends what waits. */
void usb_serve_irq_off(void);

/* Whether answers go out here; false when nobody on USB has spoken since somebody on the UART has, or has the port
 * open no longer, or does not take what is sent. */
bool usb_is_spoken_to(void);

/* Somebody has spoken on the UART. */
void usb_let_go_irq_off(void);

#endif
