/* SPDX-License-Identifier: MIT OR GPL-2.0
 *
 * Goes after gpio-sim.c at build time: what its sysfs attribute "pull" does, for the bench module.
 */
int gpio_sim_pull(struct gpio_chip *gc, unsigned int offset, int value);

int gpio_sim_pull(struct gpio_chip *gc, unsigned int offset, int value)
{
	return gpio_sim_apply_pull(gpiochip_get_data(gc), offset, value);
}
EXPORT_SYMBOL_GPL(gpio_sim_pull);
