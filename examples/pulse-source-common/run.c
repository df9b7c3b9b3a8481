#include "run.h"

#include "arrivals.h"
#include "capture.h"
#include "chip.h"
#include "records.h"
#include "settings.h"
#include "stimulus.h"
#include "timebase.h"

#define MARK_TICKS (TICKS_PER_SECOND / 2)
#define LATE_ANSWERS_TICKS (100 * TICKS_PER_MS) /* capture goes on so long after the last stimulus */

static enum { IDLE, EMITTING, LISTENING } phase;
static uint32_t to_plan;
static uint32_t last_mark, last_stimulus_done;
static bool ever_started;

static void mark(void)
{
	IRQ_OFF {
		last_mark = timebase_now_irq_off();
		records_push_irq_off(RECORD_TIME_MARK, last_mark);
	}
}

static void finish(void)
{
	capture_stop();
	IRQ_OFF {
		records_push_last_irq_off(RECORD_TIME_MARK, timebase_now_irq_off());
	}
	phase = IDLE;
}

static void fill_plan(void)
{
	while (to_plan && !stimulus_plan_full()) {
		stimulus_plan(arrivals_next());
		if (--to_plan == 0)
			stimulus_plan_complete();
	}
	stimulus_poll();
}

void run_start(void)
{
	interval_t first;

	records_clear();
	arrivals_start(&settings);
	first = arrivals_next();
	ever_started = true;
	to_plan = settings.count - 1;
	IRQ_OFF {
		last_mark = stimulus_start(first, settings.width);
		records_push_irq_off(RECORD_TIME_MARK, last_mark);
		capture_start();
	}
	if (to_plan == 0)
		stimulus_plan_complete();
	phase = EMITTING;
}

void run_abort(void)
{
	if (phase != IDLE) {
		stimulus_stop();
		finish();
	}
}

void run_poll(void)
{
	if (phase == EMITTING) {
		fill_plan();
		if (stimulus_finished()) {
			last_stimulus_done = timebase_now();
			phase = LISTENING;
		}
	}
	if (phase == LISTENING && timebase_now() - last_stimulus_done >= LATE_ANSWERS_TICKS)
		finish();
	if (phase != IDLE && timebase_now() - last_mark >= MARK_TICKS)
		mark();
}

bool run_active(void)
{
	return phase != IDLE;
}

bool run_ever_started(void)
{
	return ever_started;
}

void run_forget_start(void)
{
	ever_started = false;
}
