// SPDX-License-Identifier: MIT OR GPL-2.0
/*
 * The pulse source's timing half: stimulus edges from a high-resolution timer in hard interrupt context, response
 * edges from the wire into "source:response", both stamped with the monotonic clock plus an offset of the source's own.
 */
#include <linux/fs.h>
#include <linux/hrtimer.h>
#include <linux/kfifo.h>
#include <linux/miscdevice.h>
#include <linux/moduleparam.h>
#include <linux/mutex.h>
#include <linux/timekeeping.h>
#include <linux/uaccess.h>
#include <asm/unaligned.h>

#include "arrivals.h"
#include "bench.h"
#include "pulse_abi.h"

#define GAP_NS 20000ULL /* least time from a trailing edge to the next leading edge */
#define TAIL_NS 100000000ULL /* late answers are waited for this long */
#define MARK_NS 500000000ULL

enum phase { WAITING, PULSE_ON, TAIL };

static u64 tick_offset_ns = 0x9e3779b97f4a7c15ULL; /* the clocks of source and board must not agree by accident */
module_param(tick_offset_ns, ullong, 0444);
MODULE_PARM_DESC(tick_offset_ns, "what a tick count is ahead of the monotonic clock, for cross-checks only");

static DEFINE_KFIFO(records, struct pulse_record, 8192);
static DEFINE_RAW_SPINLOCK(record_lock);
static u32 swallowed;

static DEFINE_MUTEX(control);
static struct hrtimer timer;
static bool running;
static struct {
	struct pulse_plan plan;
	enum phase phase;
	u64 due; /* of the stimulus to come, undisturbed by lateness */
	u64 rose; /* when the last stimulus began */
	u64 next; /* when the timer acts next */
	u64 mark;
	struct arrivals arrivals;
	u32 emitted;
} run;

static bool put_record(u8 kind, u32 value)
{
	struct pulse_record record = { .kind = kind };

	put_unaligned_le32(value, record.value);
	return kfifo_put(&records, record);
}

/* Room is kept for the last two records of a run, "records lost" and its end. */
static void note_keeping(u8 kind, u64 now, unsigned int reserve)
{
	unsigned long flags;

	raw_spin_lock_irqsave(&record_lock, flags);
	if (swallowed && kfifo_avail(&records) >= 2 + reserve && put_record(RECORD_LOST, swallowed))
		swallowed = 0;
	if (swallowed || kfifo_avail(&records) <= reserve || !put_record(kind, (u32)(now + tick_offset_ns)))
		swallowed++;
	raw_spin_unlock_irqrestore(&record_lock, flags);
}

static void note(u8 kind, u64 now)
{
	note_keeping(kind, now, 2);
}

void pulse_response(bool level, u64 now)
{
	if (READ_ONCE(running))
		note(level ? RECORD_RISE : RECORD_FALL, now);
}

static void finish(void)
{
	note_keeping(RECORD_MARK, ktime_get_ns(), 0);
	WRITE_ONCE(running, false);
}

static enum hrtimer_restart act(struct hrtimer *timer)
{
	u64 now = ktime_get_ns();

	if (now >= run.next && run.phase == WAITING) {
		note(RECORD_STIMULUS, now);
		wires_drive(PIN_STIMULUS, !run.plan.idle);
		trouble_stimulus();
		run.rose = now;
		/* The first pulse of a pair ends half-way to the second. */
		run.next = now + (run.arrivals.gap ? min(run.plan.width, run.arrivals.gap / 2) : run.plan.width);
		run.phase = PULSE_ON;
	} else if (now >= run.next && run.phase == PULSE_ON) {
		wires_drive(PIN_STIMULUS, run.plan.idle);
		run.emitted++;
		if (run.emitted == run.plan.count) {
			run.next = now + TAIL_NS;
			run.phase = TAIL;
		} else {
			/* of pairs, gaps and rests count from the edge that there was, not from the one that was due */
			bool paired = run.plan.arrival == ARRIVAL_PAIRS;

			run.due = (paired ? run.rose : run.due) + next_interval(&run.plan, &run.arrivals);
			run.next = paired ? run.due : max(run.due, now + GAP_NS);
			run.phase = WAITING;
		}
	} else if (now >= run.next) {
		finish();
		return HRTIMER_NORESTART;
	}
	if (now >= run.mark) {
		note(RECORD_MARK, now);
		run.mark = now + MARK_NS;
	}
	hrtimer_set_expires(timer, ns_to_ktime(min(run.next, run.mark)));
	return HRTIMER_RESTART;
}

static void start(const struct pulse_plan *plan)
{
	unsigned long flags;
	u64 now;

	raw_spin_lock_irqsave(&record_lock, flags);
	kfifo_reset(&records);
	swallowed = 0;
	raw_spin_unlock_irqrestore(&record_lock, flags);
	wires_drive(PIN_STIMULUS, plan->idle);
	run.plan = *plan;
	run.arrivals = (struct arrivals){ .random = plan->seed };
	run.emitted = 0;
	run.phase = WAITING;
	now = ktime_get_ns();
	note(RECORD_MARK, now);
	run.mark = now + MARK_NS;
	run.due = now + next_interval(&run.plan, &run.arrivals);
	run.next = run.due;
	WRITE_ONCE(running, true);
	hrtimer_start(&timer, ns_to_ktime(min(run.next, run.mark)), HRTIMER_MODE_ABS_HARD);
}

static void stop(void)
{
	hrtimer_cancel(&timer);
	if (!running)
		return;
	wires_drive(PIN_STIMULUS, run.plan.idle);
	finish();
}

static bool sane(const struct pulse_plan *plan)
{
	if (!plan->count || !plan->seed || plan->idle > 1 || plan->period > 60 * PULSE_TICK_HZ)
		return false;
	if (plan->arrival == ARRIVAL_UNIFORM)
		return plan->spread < plan->period;
	if (plan->arrival == ARRIVAL_EXPONENTIAL)
		return plan->floor <= plan->period;
	if (plan->arrival == ARRIVAL_PAIRS)
		return plan->shortest_gap >= PULSE_SHORTEST_GAP && plan->shortest_gap <= plan->longest_gap &&
		       plan->longest_gap <= plan->period / 2;
	return plan->arrival == ARRIVAL_PERIODIC;
}

static long pulse_ioctl(struct file *file, unsigned int command, unsigned long argument)
{
	void __user *user = (void __user *)argument;
	struct pulse_plan plan;
	u32 level;
	long ret = 0;

	mutex_lock(&control);
	switch (command) {
	case PULSE_START:
		if (copy_from_user(&plan, user, sizeof(plan)))
			ret = -EFAULT;
		else if (!sane(&plan))
			ret = -EINVAL;
		else if (READ_ONCE(running))
			ret = -EBUSY;
		else
			start(&plan);
		break;
	case PULSE_ABORT:
		stop();
		break;
	case PULSE_IDLE:
		if (get_user(level, (u32 __user *)user))
			ret = -EFAULT;
		else if (READ_ONCE(running))
			ret = -EBUSY;
		else
			wires_drive(PIN_STIMULUS, level);
		break;
	case PULSE_LEVEL:
		ret = put_user((u32)wires_level(PIN_RESPONSE), (u32 __user *)user);
		break;
	case PULSE_RUNNING:
		ret = put_user((u32)READ_ONCE(running), (u32 __user *)user);
		break;
	default:
		ret = -ENOTTY;
	}
	mutex_unlock(&control);
	return ret;
}

static ssize_t pulse_read(struct file *file, char __user *buf, size_t len, loff_t *pos)
{
	bool over = !READ_ONCE(running); /* before looking: the last record comes before the end */
	unsigned int copied;
	int ret;

	mutex_lock(&control);
	ret = kfifo_to_user(&records, buf, len - len % sizeof(struct pulse_record), &copied);
	mutex_unlock(&control);
	if (ret)
		return ret;
	if (!copied && !over)
		return -EAGAIN;
	return copied;
}

static const struct file_operations pulse_fops = {
	.owner = THIS_MODULE,
	.read = pulse_read,
	.unlocked_ioctl = pulse_ioctl,
};

static struct miscdevice pulse_device = {
	.minor = MISC_DYNAMIC_MINOR,
	.name = PULSE_DEVICE,
	.fops = &pulse_fops,
	.mode = 0600,
};

int pulse_init(void)
{
	hrtimer_init(&timer, CLOCK_MONOTONIC, HRTIMER_MODE_ABS_HARD);
	timer.function = act;
	return misc_register(&pulse_device);
}

void pulse_exit(void)
{
	misc_deregister(&pulse_device);
	stop();
}
