// SPDX-License-Identifier: MIT OR GPL-2.0
/*
 * Trouble on purpose: some time after every so many stimuli an interrupt handler, or a tasklet, that takes long. What
 * holds up answers is then known by name, rate and length. Off until its parameters say otherwise.
 */
#include <linux/hrtimer.h>
#include <linux/interrupt.h>
#include <linux/irq.h>
#include <linux/irq_sim.h>
#include <linux/irqdomain.h>
#include <linux/moduleparam.h>
#include <linux/timekeeping.h>

#include "bench.h"

#define TROUBLE_NAME "label-motor"

static uint every;
module_param_named(trouble_every, every, uint, 0644);
MODULE_PARM_DESC(trouble_every, "after how many stimuli each time, 0 for never");
static uint delay_ns = 20000;
module_param_named(trouble_delay_ns, delay_ns, uint, 0644);
MODULE_PARM_DESC(trouble_delay_ns, "how long after the stimulus");
static uint length_ns = 500000;
module_param_named(trouble_length_ns, length_ns, uint, 0644);
MODULE_PARM_DESC(trouble_length_ns, "how long it takes");
static bool soft;
module_param_named(trouble_soft, soft, bool, 0644);
MODULE_PARM_DESC(trouble_soft, "a tasklet in place of an interrupt handler");

static struct irq_domain *domain;
static unsigned int irq;
static struct hrtimer timer;
static uint stimuli;

static void busy(void)
{
	u64 end = ktime_get_ns() + READ_ONCE(length_ns);

	while (ktime_get_ns() < end)
		cpu_relax();
}

static irqreturn_t handle(int number, void *data)
{
	busy();
	return IRQ_HANDLED;
}

static void soften(struct tasklet_struct *unused)
{
	busy();
}

static DECLARE_TASKLET(tasklet, soften);

static enum hrtimer_restart act(struct hrtimer *unused)
{
	if (READ_ONCE(soft))
		tasklet_schedule(&tasklet);
	else
		irq_set_irqchip_state(irq, IRQCHIP_STATE_PENDING, true);
	return HRTIMER_NORESTART;
}

void trouble_stimulus(void)
{
	uint often = READ_ONCE(every);

	if (often && ++stimuli % often == 0)
		hrtimer_start(&timer, ns_to_ktime(READ_ONCE(delay_ns)), HRTIMER_MODE_REL_HARD);
}

int trouble_init(void)
{
	int ret;

	hrtimer_init(&timer, CLOCK_MONOTONIC, HRTIMER_MODE_REL_HARD);
	timer.function = act;
	domain = irq_domain_create_sim(NULL, 1);
	if (IS_ERR(domain))
		return PTR_ERR(domain);
	irq = irq_create_mapping(domain, 0);
	ret = irq ? request_irq(irq, handle, IRQF_NO_THREAD, TROUBLE_NAME, &timer) : -ENOMEM;
	if (ret)
		irq_domain_remove_sim(domain);
	return ret;
}

void trouble_exit(void)
{
	hrtimer_cancel(&timer);
	tasklet_kill(&tasklet);
	free_irq(irq, &timer);
	irq_dispose_mapping(irq);
	irq_domain_remove_sim(domain);
}
