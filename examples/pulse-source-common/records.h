#ifndef RECORDS_H
#define RECORDS_H

/* The ring of records between the interrupts that make them and the loop that sends them. */

#include <stdint.h>

enum record_kind {
	RECORD_STIMULUS = 1,
	RECORD_RISE = 2,
	RECORD_FALL = 3,
	RECORD_FALL_LOST = 4,
	RECORD_TIME_MARK = 5,
	RECORD_LOST = 6,
};

struct record {
	uint8_t kind;
	uint32_t value;
} __attribute__((packed));

/* Adds a record; interrupts must be off. A full ring counts the loss, and the count goes out as a record of its
 * own as soon as there is room. */
void records_push_irq_off(uint8_t kind, uint32_t value);

/* Adds a run's closing record, for which room is always kept; interrupts must be off. */
void records_push_last_irq_off(uint8_t kind, uint32_t value);

void records_clear(void);
uint8_t records_count(void);

/* The oldest record's bytes stay valid until records_drop(). */
const uint8_t *records_oldest(void);
void records_drop(void);

#endif
