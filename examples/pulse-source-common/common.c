#include "common.h"

#include "capture.h"
#include "chip.h"
#include "control.h"
#include "errors.h"
#include "numbers.h"
#include "status.h"
#include "stimulus.h"
#include "ticks.h"
#include "timebase.h"
#include "uart.h"

static void set_mask(uint8_t *mask, const char *parameter)
{
	uint32_t value;
	enum number_result result = number_integer(parameter, &value);

	if (result == NUMBER_NOT_ONE)
		errors_add(DATA_TYPE_ERROR);
	else if (result == NUMBER_TOO_BIG || value > 255)
		errors_add(DATA_OUT_OF_RANGE);
	else
		*mask = value;
}

static bool timer_moves(void)
{
	uint32_t before = timebase_now();

	for (uint8_t looks = 0; looks < 255; looks++)
		if (timebase_now() != before)
			return true;
	return false;
}

/* 0 when all is well; bit 0: the timer stands still, bit 1: something holds the stimulus line off its level. */
static uint8_t self_test(void)
{
	uint8_t result = !timer_moves();

	if (!stimulus_line_idle())
		result |= 2;
	return result;
}

static void send_error(void)
{
	int16_t code = errors_take();

	number_send_signed(code);
	uart_text_flash(FLASH_TEXT(",\""));
	uart_text_flash(errors_text(code));
	uart_put('"');
}

static void clear_status(void)
{
	errors_clear();
	status_take_events();
	control_opc_forget();
}

static void answer(uint8_t which)
{
	switch (which) {
	case COMMON_IDN:
		uart_text_flash(FLASH_TEXT("edgereply,pulse source " CHIP_MODEL ","));
		uart_text_flash(CHIP_SERIAL);
		uart_text_flash(FLASH_TEXT("," FIRMWARE));
		return;
	case COMMON_VERSION:
		uart_text_flash(FLASH_TEXT("1999.0"));
		return;
	case COMMON_ERROR:
		send_error();
		return;
	case COMMON_ESE:
		number_send_integer(status_event_mask);
		return;
	case COMMON_ESR:
		number_send_integer(status_take_events());
		return;
	case COMMON_SRE:
		number_send_integer(status_request_mask);
		return;
	case COMMON_STB:
		number_send_integer(status_byte());
		return;
	case COMMON_TST:
		number_send_integer(self_test());
		return;
	case COMMON_FREQUENCY:
		number_send_integer(TICKS_PER_SECOND);
		return;
	case COMMON_TOLERANCE:
		number_send_integer(CLOCK_PPM);
		return;
	case COMMON_LEVEL:
		number_send_integer(capture_level());
		return;
	}
}

void common_obey(const struct call *call)
{
	if (call->query) {
		answer(call->which);
		uart_put('\n');
	} else if (call->which == COMMON_ESE) {
		set_mask(&status_event_mask, call->parameter);
	} else if (call->which == COMMON_SRE) {
		set_mask(&status_request_mask, call->parameter);
		status_request_mask &= ~STATUS_MASTER; /* IEEE 488.2, 11.3.2.3: bit 6 is not used */
	} else {
		clear_status();
	}
}
