#ifndef USB_DESCRIPTORS_H
#define USB_DESCRIPTORS_H

/* What the device says it is (USB 2.0, 9.6; CDC 1.2 and its PSTN subclass, from memory). */

#include <stdint.h>

#define EP0_BYTES 64
#define BULK_BYTES 64
#define NOTICE_BYTES 8

#define NOTICE_ENDPOINT 1
#define BULK_ENDPOINT 2

#define DESCRIPTOR_MOST 128

/* Writes the descriptor of a type and index to `to`, at most DESCRIPTOR_MOST bytes; 0 when there is none. */
uint8_t usb_descriptor(uint8_t type, uint8_t index, uint8_t *to);

#endif
