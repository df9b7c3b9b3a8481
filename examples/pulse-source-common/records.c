#include "records.h"

#include "chip.h"

/* 256 slots so that the 8-bit indices wrap by themselves; one slot always stays empty. */
static struct record ring[256];
/* A run's closing record and the count of lost ones before it always find room. */
#define KEPT_FOR_LAST 2

static volatile uint8_t head, tail;
static uint32_t lost;

static inline uint8_t free_slots(void)
{
	return (uint8_t)(tail - head - 1);
}

static inline void put(uint8_t kind, uint32_t value)
{
	struct record *slot = &ring[head];

	slot->kind = kind;
	slot->value = value;
	head++;
}

static inline void put_after_lost(uint8_t kind, uint32_t value)
{
	if (lost) {
		put(RECORD_LOST, lost);
		lost = 0;
	}
	put(kind, value);
}

void records_push_irq_off(uint8_t kind, uint32_t value)
{
	if (free_slots() < KEPT_FOR_LAST + 2)
		lost++;
	else
		put_after_lost(kind, value);
}

void records_push_last_irq_off(uint8_t kind, uint32_t value)
{
	put_after_lost(kind, value);
}

void records_clear(void)
{
	IRQ_OFF {
		head = tail = 0;
		lost = 0;
	}
}

uint8_t records_count(void)
{
	return (uint8_t)(head - tail);
}

const uint8_t *records_oldest(void)
{
	return (const uint8_t *)&ring[tail];
}

void records_drop(void)
{
	tail++;
}
