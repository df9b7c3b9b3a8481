#include "usb_descriptors.h"

#include "unique_id.h"

/* An identifier for tests (pid.codes): a maker of boards puts his own there. */
#ifndef USB_VENDOR
#define USB_VENDOR 0x1209
#define USB_PRODUCT 0x0001
#endif

enum { DEVICE = 1, CONFIGURATION, STRING, INTERFACE, ENDPOINT };
enum { TEXT_LANGUAGES, TEXT_MAKER, TEXT_PRODUCT, TEXT_SERIAL };

#define LOW(value) ((value) & 0xff)
#define HIGH(value) ((value) >> 8)
#define CONFIGURATION_BYTES 67

static const uint8_t device[] = {
	18, DEVICE, LOW(0x0200), HIGH(0x0200), 2 /* communications */, 0, 0, EP0_BYTES,
	LOW(USB_VENDOR), HIGH(USB_VENDOR), LOW(USB_PRODUCT), HIGH(USB_PRODUCT), LOW(0x0100), HIGH(0x0100),
	TEXT_MAKER, TEXT_PRODUCT, TEXT_SERIAL, 1,
};

static const uint8_t configuration[CONFIGURATION_BYTES] = {
	9, CONFIGURATION, LOW(CONFIGURATION_BYTES), HIGH(CONFIGURATION_BYTES), 2, 1, 0, 0x80 /* bus-powered */, 100 / 2,
	/* the control interface: abstract control model, no command set */
	9, INTERFACE, 0, 0, 1, 2, 2, 0, 0,
	5, 0x24, 0x00, LOW(0x0110), HIGH(0x0110),
	5, 0x24, 0x01, 0x00, 1, /* no call management */
	4, 0x24, 0x02, 0x02,    /* line coding and control line state */
	5, 0x24, 0x06, 0, 1,    /* the union of both interfaces */
	7, ENDPOINT, 0x80 | NOTICE_ENDPOINT, 3, NOTICE_BYTES, 0, 255,
	/* the data interface */
	9, INTERFACE, 1, 0, 2, 10, 0, 0, 0,
	7, ENDPOINT, BULK_ENDPOINT, 2, BULK_BYTES, 0, 0,
	7, ENDPOINT, 0x80 | BULK_ENDPOINT, 2, BULK_BYTES, 0, 0,
};

static uint8_t copy(uint8_t *to, const uint8_t *from, uint8_t size)
{
	for (uint8_t i = 0; i < size; i++)
		to[i] = from[i];
	return size;
}

static uint8_t text(uint8_t *to, const char *from)
{
	uint8_t size = 2;

	for (; *from && size < DESCRIPTOR_MOST; from++) {
		to[size++] = *from;
		to[size++] = 0;
	}
	to[0] = size;
	to[1] = STRING;
	return size;
}

static uint8_t string(uint8_t index, uint8_t *to)
{
	static const uint8_t languages[] = {4, STRING, 0x09, 0x04};

	switch (index) {
	case TEXT_LANGUAGES:
		return copy(to, languages, sizeof(languages));
	case TEXT_MAKER:
		return text(to, "edgereply");
	case TEXT_PRODUCT:
		return text(to, "pulse source");
	case TEXT_SERIAL:
		return text(to, unique_id());
	}
	return 0;
}

uint8_t usb_descriptor(uint8_t type, uint8_t index, uint8_t *to)
{
	switch (type) {
	case DEVICE:
		return copy(to, device, sizeof(device));
	case CONFIGURATION:
		return index ? 0 : copy(to, configuration, sizeof(configuration));
	case STRING:
		return string(index, to);
	}
	return 0;
}
