#include "stimulus.h"

#include "chip.h"
#include "machines.h"
#include "pins.h"
#include "planning.h"
#include "registers.h"
#include "timebase.h"

/* An edge is handed over no later than this before it is due: it must still be ahead when the machine gets it, and
 * the microsecond timer that says how late it is reads up to a microsecond behind. */
#define LEAST_LEAD_TICKS TICKS_FROM_US(10)

/* Two edges of the stimulus never come closer than the pulse width and this. */
#define LEAST_GAP_TICKS TICKS_FROM_US(20)

/* The machine compares 32 bits: no edge is handed over half of them ahead of time. */
#define MOST_LEAD_TICKS (1ull << 31)

#define PLAN_SLOTS 8 /* a power of two */

static uint64_t plan[PLAN_SLOTS]; /* ticks at which leading edges are due */
static uint8_t plan_in, plan_out;
static bool plan_complete, finished = true, inverted;
static uint64_t planned; /* start and the sum of all intervals so far */
static uint64_t latest;  /* leading edge handed over, or the run's start */
static uint32_t pulse_width;

/* Only leading edges are planned; each brings its trailing edge along. */
void stimulus_hand_over_irq_off(void)
{
	while (plan_in != plan_out && machines_room(2)) {
		uint64_t due = plan[plan_out % PLAN_SLOTS];
		uint64_t earliest = timebase_now_long() + LEAST_LEAD_TICKS;

		if (due > earliest + MOST_LEAD_TICKS)
			return;
		if (earliest < latest + pulse_width + LEAST_GAP_TICKS)
			earliest = latest + pulse_width + LEAST_GAP_TICKS;
		latest = due < earliest ? earliest : due;
		machines_turn_at(latest);
		machines_turn_at(latest + pulse_width);
		plan_out++;
	}
}

static void add(interval_t interval)
{
	planned += interval;
	plan[plan_in % PLAN_SLOTS] = planned;
	plan_in++;
}

void stimulus_init(void)
{
	machines_init();
}

void stimulus_set_polarity(bool is_inverted)
{
	inverted = is_inverted;
	machines_invert(inverted);
	stimulus_stop();
}

uint32_t stimulus_start(interval_t first_interval, uint32_t width)
{
	uint64_t start;

	IRQ_OFF {
		plan_in = plan_out = 0;
		plan_complete = finished = false;
		pulse_width = width;
		start = planned = latest = machines_start();
		add(first_interval);
		stimulus_hand_over_irq_off();
	}
	return start;
}

void stimulus_plan(interval_t interval)
{
	IRQ_OFF {
		add(interval);
	}
}

bool stimulus_plan_full(void)
{
	return (uint8_t)(plan_in - plan_out) == PLAN_SLOTS;
}

void stimulus_plan_complete(void)
{
	plan_complete = true;
}

void stimulus_poll(void)
{
	IRQ_OFF {
		stimulus_hand_over_irq_off();
		if (plan_complete && plan_in == plan_out)
			finished = timebase_now_long() > latest + pulse_width + LEAST_GAP_TICKS;
	}
}

bool stimulus_finished(void)
{
	return finished;
}

void stimulus_stop(void)
{
	IRQ_OFF {
		machines_stop();
		plan_in = plan_out = 0;
		finished = true;
	}
}

bool stimulus_line_idle(void)
{
	bool high = GPIO_STATUS(PIN_STIMULUS) & GPIO_FROM_PAD;

	return high == inverted;
}
