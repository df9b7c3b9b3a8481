#include "status.h"

#include "errors.h"

uint8_t status_event_mask, status_request_mask;

static uint8_t events = EVENT_POWER_ON;

void status_event(uint8_t bits)
{
	events |= bits;
}

uint8_t status_take_events(void)
{
	uint8_t bits = events;

	events = 0;
	return bits;
}

uint8_t status_byte(void)
{
	uint8_t byte = 0;

	if (errors_any())
		byte |= STATUS_ERROR_QUEUE;
	if (events & status_event_mask)
		byte |= STATUS_EVENT;
	if (byte & status_request_mask)
		byte |= STATUS_MASTER;
	return byte;
}
