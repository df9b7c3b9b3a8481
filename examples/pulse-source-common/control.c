#include "control.h"

#include "errors.h"
#include "run.h"
#include "settings.h"
#include "status.h"
#include "stimulus.h"
#include "stream.h"
#include "uart.h"

static bool query_waits, event_waits, held;

static bool busy(void)
{
	return run_active() || stream_active();
}

static bool start(void)
{
	if (busy()) {
		errors_add(INIT_IGNORED);
		return false;
	}
	if (!settings.output_on || !settings_agree()) {
		errors_add(SETTINGS_CONFLICT);
		return false;
	}
	run_start();
	return true;
}

void control_initiate(const struct call *call)
{
	(void)call;
	start();
}

void control_read(const struct call *call)
{
	bool answer_is_taken = stream_active() || query_waits;

	(void)call;
	if (start())
		stream_begin();
	else if (!answer_is_taken)
		stream_send_empty();
}

void control_fetch(const struct call *call)
{
	(void)call;
	if (!run_ever_started()) {
		errors_add(DATA_CORRUPT_OR_STALE);
		stream_send_empty();
		return;
	}
	stream_send_one();
}

void control_abort(const struct call *call)
{
	(void)call;
	run_abort();
}

void control_reset(const struct call *call)
{
	(void)call;
	control_opc_forget();
	run_abort();
	settings_reset();
	stimulus_set_polarity(false);
	run_forget_start();
}

void control_opc(const struct call *call)
{
	if (call->query)
		query_waits = true;
	else
		event_waits = true;
	control_poll();
}

void control_wait(const struct call *call)
{
	(void)call;
	held = busy();
}

bool control_opc_waits(void)
{
	return query_waits;
}

void control_opc_forget(void)
{
	query_waits = event_waits = false;
}

bool control_held(void)
{
	return held;
}

void control_poll(void)
{
	if (busy())
		return;
	held = false;
	if (event_waits)
		status_event(EVENT_OPERATION_COMPLETE);
	event_waits = false;
	if (query_waits)
		uart_text("1\n");
	query_waits = false;
}

void control_device_clear(void)
{
	control_opc_forget();
	held = false;
	run_abort();
}
