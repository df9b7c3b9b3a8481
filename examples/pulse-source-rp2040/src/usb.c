#include "usb.h"

#include <stdint.h>

#include "registers.h"
#include "ticks.h"
#include "timebase.h"
#include "uart_rings.h"
#include "usb_descriptors.h"

/* Requests (USB 2.0, 9.4; CDC PSTN 1.2, 6.3) */
enum { GET_STATUS = 0, SET_ADDRESS = 5, GET_DESCRIPTOR = 6, GET_CONFIGURATION = 8, SET_CONFIGURATION = 9, GET_INTERFACE = 10 };
enum { SET_LINE_CODING = 0x20, GET_LINE_CODING = 0x21, SET_CONTROL_LINE_STATE = 0x22 };
#define TO_HOST 0x80
#define KIND(request_type) ((request_type) & 0x60)
#define STANDARD 0x00
#define CLASS 0x20
#define LINE_CODING_BYTES 7
#define PORT_IS_OPEN 1 /* the host's DTR */

#define IN_DATA (USB_BULK_DATA)
#define OUT_DATA (USB_BULK_DATA + 64)
#define NOTICE_DATA (USB_BULK_DATA + 128)

/* Every packet is shorter than the most, and so ends a transfer by itself. */
#define SEND_MOST (BULK_BYTES - 1)

/* The host keeps what there is no room for, but not for longer: a device clear may be behind it. */
#define KEEP_TICKS TICKS_FROM_US(20000)

#define PATIENCE_TICKS TICKS_FROM_US(250000) /* a host that takes nothing for so long has gone away */

static uint8_t answer[DESCRIPTOR_MOST]; /* to the present control request */
static uint8_t answer_at, answer_size;
static bool answering, status_is_next;
static uint8_t new_address, configured;
static uint8_t line_coding[LINE_CODING_BYTES] = {0x20, 0xa1, 0x07, 0, 0, 0, 8}; /* 500,000 Bd, 8N1 */
static bool in_busy, out_armed, spoken_to;
static uint32_t ep0_pid, in_pid, out_pid;
static uint32_t in_since, heard_since;

/* The controller's memory is written by words only. */
static void to_memory(uint32_t offset, const uint8_t *from, uint8_t size)
{
	for (uint8_t i = 0; i < size; i += 4) {
		uint32_t word = 0;

		for (uint8_t j = 0; j < 4 && i + j < size; j++)
			word |= (uint32_t)from[i + j] << (8 * j);
		USB_MEMORY(offset + i) = word;
	}
}

static uint8_t from_memory(uint32_t offset)
{
	return USB_MEMORY(offset & ~3u) >> (8 * (offset & 3));
}

/* The controller takes up a buffer some cycles after it is told that it is there; all else must be written before. */
static void hand_over(uint32_t control, uint32_t value)
{
	USB_MEMORY(control) = value;
	asm volatile(".rept 12\n\tnop\n\t.endr");
	USB_MEMORY(control) = value | USB_AVAILABLE;
}

static void ep0_in(uint8_t size)
{
	hand_over(USB_IN_CONTROL(0), size | USB_FULL | ep0_pid);
	ep0_pid ^= USB_DATA1;
}

static void ep0_out(uint8_t size)
{
	hand_over(USB_OUT_CONTROL(0), size | USB_DATA1);
}

static void answer_on(void)
{
	uint8_t size = answer_size - answer_at;

	if (size > EP0_BYTES)
		size = EP0_BYTES;
	to_memory(USB_EP0_DATA, answer + answer_at, size);
	answer_at += size;
	answering = answer_at < answer_size;
	if (!answering)
		status_is_next = true;
	ep0_in(size);
}

static void answer_bytes(uint8_t size, uint16_t wanted)
{
	answer_at = 0;
	answer_size = size < wanted ? size : wanted;
	answer_on();
}

static void agree(void)
{
	ep0_in(0);
}

static void refuse(void)
{
	USB_STALL_ARM = 3; /* both directions of endpoint 0 */
	USB_MEMORY(USB_IN_CONTROL(0)) = USB_STALL;
	USB_MEMORY(USB_OUT_CONTROL(0)) = USB_STALL;
}

static void listen(void)
{
	out_armed = true;
	hand_over(USB_OUT_CONTROL(BULK_ENDPOINT), BULK_BYTES | out_pid);
	out_pid ^= USB_DATA1;
}

static void configure(uint8_t value)
{
	configured = value;
	in_busy = out_armed = spoken_to = false;
	in_pid = out_pid = 0;
	if (!configured)
		return;
	USB_MEMORY(USB_IN_SETUP(NOTICE_ENDPOINT)) = USB_ENDPOINT_ON | USB_INTERRUPT_KIND | NOTICE_DATA;
	USB_MEMORY(USB_OUT_SETUP(BULK_ENDPOINT)) = USB_ENDPOINT_ON | USB_BULK_KIND | OUT_DATA;
	USB_MEMORY(USB_IN_SETUP(BULK_ENDPOINT)) = USB_ENDPOINT_ON | USB_BULK_KIND | IN_DATA;
}

static void standard(uint8_t type, uint8_t request, uint16_t value, uint16_t length)
{
	uint8_t size;

	switch (request) {
	case GET_DESCRIPTOR:
		size = usb_descriptor(value >> 8, value, answer);
		if (size)
			answer_bytes(size, length);
		else
			refuse();
		return;
	case GET_STATUS:
	case GET_CONFIGURATION:
	case GET_INTERFACE:
		answer[0] = request == GET_CONFIGURATION ? configured : 0;
		answer[1] = 0;
		answer_bytes(request == GET_STATUS ? 2 : 1, length);
		return;
	case SET_ADDRESS:
		new_address = value;
		break;
	case SET_CONFIGURATION:
		configure(value);
		break;
	default:
		if (type & TO_HOST) {
			refuse();
			return;
		}
	}
	agree();
}

static void of_class(uint8_t request, uint16_t value, uint16_t length)
{
	switch (request) {
	case SET_LINE_CODING: /* its bytes change nothing: there is no line behind this port */
		ep0_out(EP0_BYTES);
		return;
	case GET_LINE_CODING:
		for (uint8_t i = 0; i < LINE_CODING_BYTES; i++)
			answer[i] = line_coding[i];
		answer_bytes(LINE_CODING_BYTES, length);
		return;
	case SET_CONTROL_LINE_STATE:
		if (!(value & PORT_IS_OPEN))
			spoken_to = false;
		break;
	}
	agree();
}

static void setup(void)
{
	uint32_t first = USB_MEMORY(0), second = USB_MEMORY(4);
	uint8_t type = first, request = first >> 8;
	uint16_t value = first >> 16, length = second >> 16;

	ep0_pid = USB_DATA1;
	answering = status_is_next = false;
	if (KIND(type) == STANDARD)
		standard(type, request, value, length);
	else if (KIND(type) == CLASS)
		of_class(request, value, length);
	else
		refuse();
}

static void ep0_in_done(void)
{
	if (new_address) {
		USB_ADDRESS = new_address;
		new_address = 0;
	}
	if (answering)
		answer_on();
	else if (status_is_next)
		ep0_out(0);
	status_is_next = false;
}

static void ep0_out_done(void)
{
	if (USB_MEMORY(USB_OUT_CONTROL(0)) & USB_LENGTH)
		agree(); /* to the line coding */
}

static void heard(void)
{
	uint8_t size = USB_MEMORY(USB_OUT_CONTROL(BULK_ENDPOINT)) & USB_LENGTH;

	out_armed = false;
	heard_since = timebase_now_irq_off();
	if (size)
		spoken_to = true;
	for (uint8_t i = 0; i < size; i++)
		uart_receive_irq_off(from_memory(OUT_DATA + i), false);
}

static void send(void)
{
	uint8_t size = 0, bytes[SEND_MOST];

	if (in_busy) {
		if ((uint32_t)(timebase_now_irq_off() - in_since) > PATIENCE_TICKS)
			spoken_to = false;
		return;
	}
	while (size < SEND_MOST && !uart_all_sent())
		bytes[size++] = uart_next_irq_off();
	if (!size)
		return;
	to_memory(IN_DATA, bytes, size);
	in_busy = true;
	in_since = timebase_now_irq_off();
	hand_over(USB_IN_CONTROL(BULK_ENDPOINT), size | USB_FULL | in_pid);
	in_pid ^= USB_DATA1;
}

static void buffers(void)
{
	uint32_t done = USB_BUFFERS_DONE;

	USB_BUFFERS_DONE = done;
	if (done & USB_IN_DONE(0))
		ep0_in_done();
	if (done & USB_OUT_DONE(0))
		ep0_out_done();
	if (done & USB_IN_DONE(BULK_ENDPOINT))
		in_busy = false;
	if (done & USB_OUT_DONE(BULK_ENDPOINT))
		heard();
}

void usb_serve_irq_off(void)
{
	uint32_t status = USB_STATUS;

	if (status & USB_BUS_RESET) {
		USB_STATUS = USB_BUS_RESET;
		USB_ADDRESS = 0;
		new_address = 0;
		configure(0);
	}
	if (USB_BUFFERS_DONE)
		buffers();
	if (status & USB_SETUP_RECEIVED) {
		USB_STATUS = USB_SETUP_RECEIVED;
		setup();
	}
	if (!configured)
		return;
	if (!out_armed && (uart_receive_room() >= BULK_BYTES || timebase_now_irq_off() - heard_since > KEEP_TICKS))
		listen();
	if (spoken_to)
		send();
}

bool usb_is_spoken_to(void)
{
	return spoken_to;
}

void usb_let_go_irq_off(void)
{
	spoken_to = false;
}

void usb_init(void)
{
	for (uint32_t offset = 0; offset < USB_MEMORY_BYTES; offset += 4)
		USB_MEMORY(offset) = 0;
	USB_MUXING = USB_TO_PHY | USB_SOFT_CONNECT;
	USB_POWER = USB_VBUS_DETECTED | USB_VBUS_OVERRIDE;
	USB_CONTROL = USB_CONTROLLER_ON;
	USB_SIE_CONTROL = USB_EP0_EVERY_BUFFER | USB_PULL_UP;
}
