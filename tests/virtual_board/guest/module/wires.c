// SPDX-License-Identifier: MIT OR GPL-2.0
/*
 * Jumper wires: every change of an output is seen through the kernel's tracepoint gpio_value and copied to the pull
 * of the lines that a wire leads to.
 *
 * /dev/edgereply-wires holds the wiring as text, one wire a line. Writing replaces the wiring, appending adds to it,
 * an empty write cuts everything.
 *	REJECT_OUT->CAPTURE_IN		a wire
 *	!REJECT_OUT->CAPTURE_IN		an inverting one
 *	EYE_IN=SPARE_IN			two inputs shorted
 * Pins are line names, line offsets, "source:stimulus" and "source:response". Several wires into one pin act as an OR.
 */
#include <linux/bitops.h>
#include <linux/fs.h>
#include <linux/miscdevice.h>
#include <linux/moduleparam.h>
#include <linux/mutex.h>
#include <linux/slab.h>
#include <linux/timekeeping.h>
#include <linux/tracepoint.h>
#include <linux/uaccess.h>

#include "bench.h"
#include "gpiolib.h"

#define MAX_WIRES 32
#define MAX_TEXT 2048

struct wire {
	u8 from;
	u8 to;
	bool inverted;
	bool shorted;
};

struct wiring {
	struct wire wires[MAX_WIRES];
	unsigned int count;
	u64 joined[PINS]; /* pins shorted together, each with itself */
};

static unsigned int deaf_ns; /* a wire that hears no second edge so soon: what a filter at the pin does */
module_param(deaf_ns, uint, 0644);
MODULE_PARM_DESC(deaf_ns, "stimuli that begin sooner than this after another one reach no pin");

static DEFINE_MUTEX(writers);
static DEFINE_RAW_SPINLOCK(lock);
static struct wiring wiring;
static u64 driven; /* pins that an output drives high */
static u64 heard; /* when the last stimulus began, whether or not it got through */
static u64 held; /* pins that the wires hold high */
static struct gpio_chip *chip;
static struct tracepoint *value_trace;
static void (*chip_free)(struct gpio_chip *gc, unsigned int offset);
static int (*chip_input)(struct gpio_chip *gc, unsigned int offset);

static void settle(u64 now)
{
	u64 high = 0, changed;
	unsigned int i;

	for (i = 0; i < wiring.count; i++) {
		const struct wire *wire = &wiring.wires[i];

		if (!wire->shorted && (driven >> wire->from & 1) != wire->inverted)
			high |= wiring.joined[wire->to];
	}
	changed = high ^ held;
	held = high;
	while (changed) {
		unsigned int pin = __ffs64(changed);

		changed &= changed - 1;
		if (pin == PIN_RESPONSE)
			pulse_response(held >> pin & 1, now);
		else if (pin < chip->ngpio)
			gpio_sim_pull(chip, pin, held >> pin & 1);
	}
}

void wires_drive(unsigned int pin, bool level)
{
	u64 now = ktime_get_ns();
	unsigned long flags;

	raw_spin_lock_irqsave(&lock, flags);
	if (pin == PIN_STIMULUS && level && deaf_ns) {
		bool deaf = heard && now - heard < deaf_ns;

		heard = now;
		if (deaf)
			level = driven >> pin & 1;
	}
	if ((driven >> pin & 1) != level) {
		driven ^= BIT_ULL(pin);
		settle(now);
	}
	raw_spin_unlock_irqrestore(&lock, flags);
}

bool wires_level(unsigned int pin)
{
	return READ_ONCE(held) >> pin & 1;
}

static void on_value(void *data, unsigned int gpio, int get, int value)
{
	unsigned int offset = gpio - chip->base;

	if (!get && offset < chip->ngpio)
		wires_drive(offset, value);
}

/* No tracepoint tells that an output was given back: it floats, and the far end of its wire falls low. */
static void on_free(struct gpio_chip *gc, unsigned int offset)
{
	chip_free(gc, offset);
	wires_drive(offset, false);
}

static int on_input(struct gpio_chip *gc, unsigned int offset)
{
	int ret = chip_input(gc, offset);

	if (!ret)
		wires_drive(offset, false);
	return ret;
}

static int find_pin(const char *name)
{
	unsigned int i;

	if (!strcmp(name, "source:stimulus"))
		return PIN_STIMULUS;
	if (!strcmp(name, "source:response"))
		return PIN_RESPONSE;
	for (i = 0; i < chip->ngpio; i++)
		if (chip->gpiodev->descs[i].name && !strcmp(chip->gpiodev->descs[i].name, name))
			return i;
	if (!kstrtouint(name, 10, &i) && i < chip->ngpio)
		return i;
	return -ENOENT;
}

static int parse_wire(char *text, struct wiring *into)
{
	struct wire wire = {};
	char *to = strstr(text, "->");
	int from_pin, to_pin;

	if (into->count == MAX_WIRES)
		return -ENOSPC;
	if (to) {
		*to = 0;
		to += 2;
		wire.inverted = *text == '!';
		text += wire.inverted;
	} else {
		to = strchr(text, '=');
		if (!to)
			return -EINVAL;
		*to++ = 0;
		wire.shorted = true;
	}
	from_pin = find_pin(strim(text));
	to_pin = find_pin(strim(to));
	if (from_pin < 0 || to_pin < 0)
		return -ENOENT;
	if (from_pin == to_pin || from_pin == PIN_RESPONSE || to_pin == PIN_STIMULUS)
		return -EINVAL;
	wire.from = from_pin;
	wire.to = to_pin;
	into->wires[into->count++] = wire;
	return 0;
}

static void join(struct wiring *into)
{
	unsigned int i, pin, round;

	for (pin = 0; pin < PINS; pin++)
		into->joined[pin] = BIT_ULL(pin);
	for (round = 0; round < into->count; round++)
		for (i = 0; i < into->count; i++) {
			const struct wire *wire = &into->wires[i];
			u64 all = into->joined[wire->from] | into->joined[wire->to];

			if (wire->shorted)
				into->joined[wire->from] = into->joined[wire->to] = all;
		}
}

static ssize_t wires_write(struct file *file, const char __user *buf, size_t len, loff_t *pos)
{
	struct wiring *next;
	char *text, *rest, *line;
	unsigned long flags;
	int ret = 0;

	if (len > MAX_TEXT)
		return -E2BIG;
	text = memdup_user_nul(buf, len);
	if (IS_ERR(text))
		return PTR_ERR(text);
	next = kzalloc(sizeof(*next), GFP_KERNEL);
	if (!next) {
		kfree(text);
		return -ENOMEM;
	}
	mutex_lock(&writers);
	if (file->f_flags & O_APPEND) {
		memcpy(next->wires, wiring.wires, sizeof(next->wires));
		next->count = wiring.count;
	}
	for (rest = text; !ret && (line = strsep(&rest, "\n"));)
		if (*strim(line))
			ret = parse_wire(strim(line), next);
	if (!ret) {
		join(next);
		raw_spin_lock_irqsave(&lock, flags);
		wiring = *next;
		settle(ktime_get_ns());
		raw_spin_unlock_irqrestore(&lock, flags);
	}
	mutex_unlock(&writers);
	kfree(next);
	kfree(text);
	return ret ? ret : len;
}

static const char *pin_name(unsigned int pin, char *offset_text)
{
	if (pin == PIN_STIMULUS)
		return "source:stimulus";
	if (pin == PIN_RESPONSE)
		return "source:response";
	if (chip->gpiodev->descs[pin].name)
		return chip->gpiodev->descs[pin].name;
	sprintf(offset_text, "%u", pin);
	return offset_text;
}

static ssize_t wires_read(struct file *file, char __user *buf, size_t len, loff_t *pos)
{
	char *text = kzalloc(MAX_TEXT, GFP_KERNEL);
	char from[12], to[12];
	size_t used = 0;
	ssize_t ret;
	unsigned int i;

	if (!text)
		return -ENOMEM;
	for (i = 0; i < wiring.count; i++) {
		const struct wire *wire = &wiring.wires[i];

		used += scnprintf(text + used, MAX_TEXT - used, "%s%s%s%s\n", wire->inverted ? "!" : "",
				  pin_name(wire->from, from), wire->shorted ? "=" : "->", pin_name(wire->to, to));
	}
	ret = simple_read_from_buffer(buf, len, pos, text, used);
	kfree(text);
	return ret;
}

static const struct file_operations wires_fops = {
	.owner = THIS_MODULE,
	.read = wires_read,
	.write = wires_write,
};

static struct miscdevice wires_device = {
	.minor = MISC_DYNAMIC_MINOR,
	.name = "edgereply-wires",
	.fops = &wires_fops,
	.mode = 0666,
};

static void find_trace(struct tracepoint *trace, void *found)
{
	if (!strcmp(trace->name, "gpio_value"))
		*(struct tracepoint **)found = trace;
}

int wires_init(struct gpio_chip *on)
{
	int ret;

	chip = on;
	join(&wiring);
	for_each_kernel_tracepoint(find_trace, &value_trace);
	if (!value_trace)
		return -ENOENT;
	ret = tracepoint_probe_register(value_trace, on_value, NULL);
	if (ret)
		return ret;
	ret = misc_register(&wires_device);
	if (ret) {
		tracepoint_probe_unregister(value_trace, on_value, NULL);
		return ret;
	}
	chip_free = chip->free;
	chip_input = chip->direction_input;
	chip->free = on_free;
	chip->direction_input = on_input;
	return 0;
}

void wires_exit(void)
{
	misc_deregister(&wires_device);
	chip->free = chip_free;
	chip->direction_input = chip_input;
	tracepoint_probe_unregister(value_trace, on_value, NULL);
	tracepoint_synchronize_unregister();
}
