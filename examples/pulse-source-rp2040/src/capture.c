#include "capture.h"

#include <stdint.h>

#include "chip.h"
#include "looking.h"
#include "machines.h"
#include "pins.h"
#include "records.h"
#include "registers.h"
#include "timebase.h"

/* Rises and falls come from two machines and are put in order here. A pulse of which one end has no stamp is reported
 * as "fall lost", never with the stamp of some other edge. */

#define BATCH_MOST 16
#define ROUNDS_PER_LOOK 64 /* what an input may oscillate without keeping the main loop from running */

struct batch {
	uint32_t at[BATCH_MOST];
	uint8_t count;
};

static enum { UNKNOWN, LOW, HIGH } line;
static uint32_t latest; /* edge of the response */
static bool on;
static uint8_t rounds;

static bool take(enum machine machine, struct batch *batch)
{
	uint8_t before = batch->count;

	while (batch->count < BATCH_MOST && machines_take(machine, &batch->at[batch->count]))
		batch->count++;
	return batch->count != before;
}

static bool before(uint32_t a, uint32_t b)
{
	return (int32_t)(a - b) < 0;
}

static void rise(uint32_t at)
{
	if (line == HIGH)
		records_push_irq_off(RECORD_FALL_LOST, at);
	records_push_irq_off(RECORD_RISE, at);
	line = HIGH;
	latest = at;
}

static void fall(uint32_t at)
{
	if (line == UNKNOWN) {
		line = LOW; /* of an answer that began before the run did */
		return;
	}
	if (line == HIGH && before(latest, at)) {
		records_push_irq_off(RECORD_FALL, at);
		line = LOW;
	} else {
		records_push_irq_off(RECORD_FALL_LOST, at);
	}
	latest = at;
}

static void in_order(const struct batch *rises, const struct batch *falls)
{
	uint8_t r = 0, f = 0;

	while (r < rises->count || f < falls->count) {
		if (f == falls->count || (r < rises->count && before(rises->at[r], falls->at[f])))
			rise(rises->at[r++]);
		else
			fall(falls->at[f++]);
	}
}

/* Some stamps are gone, and nobody knows between which of the others. The rises there are remain true. */
static void with_gaps(const struct batch *rises, const struct batch *falls)
{
	for (uint8_t r = 0; r < rises->count; r++)
		records_push_irq_off(RECORD_RISE, rises->at[r]);
	for (uint8_t f = 0; f < falls->count; f++)
		records_push_irq_off(RECORD_FALL_LOST, falls->at[f]);
	records_push_irq_off(RECORD_FALL_LOST, timebase_now_irq_off());
	line = UNKNOWN;
}

static void response(void)
{
	struct batch rises = {.count = 0}, falls = {.count = 0};
	bool more, gaps;

	/* Until neither has anything new: an edge that is left for the next time is then later than all these. */
	do {
		more = take(MACHINE_FALLS, &falls);
		more = take(MACHINE_RISES, &rises) || more;
	} while (more && rises.count < BATCH_MOST && falls.count < BATCH_MOST);

	gaps = machines_overflowed(MACHINE_RISES);
	gaps = machines_overflowed(MACHINE_FALLS) || gaps;
	if (gaps)
		with_gaps(&rises, &falls);
	else
		in_order(&rises, &falls);
}

static void interrupts(bool allowed)
{
	PIO_IRQ0_INTE = allowed ? PIO_RX_NOT_EMPTY(MACHINE_LEADING) | PIO_RX_NOT_EMPTY(MACHINE_RISES) |
					  PIO_RX_NOT_EMPTY(MACHINE_FALLS)
				: 0;
}

void capture_look_irq_off(void)
{
	uint32_t leading;

	while (machines_take(MACHINE_LEADING, &leading))
		records_push_irq_off(RECORD_STIMULUS, leading);
	response();
	if (rounds && --rounds == 0)
		interrupts(false);
}

void capture_breathe_irq_off(void)
{
	rounds = ROUNDS_PER_LOOK;
	if (on)
		interrupts(true);
}

void capture_start(void)
{
	IRQ_OFF {
		line = UNKNOWN;
		on = true;
		capture_breathe_irq_off();
	}
}

void capture_stop(void)
{
	IRQ_OFF {
		machines_stop();
		on = false;
		interrupts(false);
		capture_look_irq_off();
	}
}

bool capture_level(void)
{
	return GPIO_STATUS(PIN_RESPONSE) & GPIO_FROM_PAD;
}
