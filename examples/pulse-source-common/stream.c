#include "stream.h"

#include "chip.h"
#include "records.h"
#include "run.h"
#include "ticks.h"
#include "timebase.h"
#include "uart.h"

#define BLOCK_RECORDS 18
#define HEADER_BYTES 4
#define FULLER_BLOCKS_TICKS (10 * TICKS_PER_MS) /* a block that is not full waits so long for more records */

static bool active;
static uint8_t left_in_block; /* records of the block under way still to be sent */
static uint32_t last_block;

static void send_header(uint8_t records)
{
	uint8_t bytes = records * sizeof(struct record);

	uart_put('#');
	uart_put('2');
	uart_put('0' + bytes / 10);
	uart_put('0' + bytes % 10);
}

static void send_record(void)
{
	const uint8_t *bytes = records_oldest();

	for (uint8_t i = 0; i < sizeof(struct record); i++)
		uart_put(bytes[i]);
	records_drop();
}

static uint8_t next_block(void)
{
	uint8_t waiting = records_count();

	return waiting < BLOCK_RECORDS ? waiting : BLOCK_RECORDS;
}

void stream_send_empty(void)
{
	uart_text_flash(FLASH_TEXT("#10\n"));
}

void stream_send_one(void)
{
	uint8_t records = next_block();

	if (!records) {
		stream_send_empty();
		return;
	}
	send_header(records);
	while (records--)
		send_record();
	uart_put('\n');
}

void stream_begin(void)
{
	active = true;
	left_in_block = 0;
	last_block = timebase_now();
}

/* Never waits for the line: only what the sending ring has room for goes into it. */
void stream_poll(void)
{
	bool over;

	if (!active)
		return;
	while (left_in_block && uart_room() > sizeof(struct record)) {
		send_record();
		if (--left_in_block == 0)
			uart_put(',');
	}
	if (left_in_block || uart_room() < HEADER_BYTES)
		return;

	over = !run_active(); /* read before the count: no record comes after the end */
	left_in_block = next_block();
	if (left_in_block == 0) {
		if (over) {
			stream_send_empty();
			active = false;
		}
		return;
	}
	if (left_in_block < BLOCK_RECORDS && !over && timebase_now() - last_block < FULLER_BLOCKS_TICKS) {
		left_in_block = 0;
		return;
	}
	last_block = timebase_now();
	send_header(left_in_block);
}

bool stream_active(void)
{
	return active;
}
