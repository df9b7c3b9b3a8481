#ifndef STATUS_H
#define STATUS_H

/* The status registers of IEEE 488.2: standard event status, its mask, and the status byte with its mask. */

#include <stdint.h>

#define EVENT_OPERATION_COMPLETE 0x01
#define EVENT_DEVICE_ERROR 0x08
#define EVENT_EXECUTION_ERROR 0x10
#define EVENT_COMMAND_ERROR 0x20
#define EVENT_POWER_ON 0x80

#define STATUS_ERROR_QUEUE 0x04
#define STATUS_EVENT 0x20
#define STATUS_MASTER 0x40

extern uint8_t status_event_mask, status_request_mask;

void status_event(uint8_t bits);
uint8_t status_take_events(void);
uint8_t status_byte(void);

#endif
