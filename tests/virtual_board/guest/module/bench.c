// SPDX-License-Identifier: MIT OR GPL-2.0
/*
 * The bench inside the virtual board: jumper wires and a pulse source around one simulated GPIO chip.
 */
#include <linux/module.h>

#include "bench.h"

static char *label = "reject-gate";
module_param(label, charp, 0444);
MODULE_PARM_DESC(label, "label of the simulated chip that the wires are on");

static int match_label(struct gpio_chip *chip, void *data)
{
	return chip->label && !strcmp(chip->label, data);
}

static int __init bench_init(void)
{
	struct gpio_chip *chip = gpiochip_find(label, match_label);
	int ret;

	if (!chip || chip->ngpio > PIN_STIMULUS) {
		pr_err("edgereply-bench: no chip labelled %s with at most %d lines\n", label, PIN_STIMULUS);
		return -ENODEV;
	}
	ret = wires_init(chip);
	if (ret)
		return ret;
	ret = trouble_init();
	if (ret)
		goto no_trouble;
	ret = pulse_init();
	if (!ret)
		return 0;
	trouble_exit();
no_trouble:
	wires_exit();
	return ret;
}

static void __exit bench_exit(void)
{
	pulse_exit();
	trouble_exit();
	wires_exit();
}

module_init(bench_init);
module_exit(bench_exit);
MODULE_LICENSE("Dual MIT/GPL");
MODULE_DESCRIPTION("jumper wires and a pulse source for a simulated GPIO chip");
