#define _GNU_SOURCE /* ptsname */
#include "serial.h"

#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/inotify.h>
#include <unistd.h>

DEFINE_FIFO(uint16_t, uart_fifo);

#define UCSR0A 0xc0
#define U2X0 1
#define UBRR0L 0xc4
#define UBRR0H 0xc5
#define BITS_PER_BYTE 10
#define CHIP_BUFFER 3 /* received bytes the chip keeps: two, and one in the shift register */

static int terminal = -1, opened = -1;
static uint8_t to_chip[4096], from_chip[8192];
static size_t to_chip_at, to_chip_end, from_chip_end;
static uint8_t in_chip[CHIP_BUFFER];
static unsigned in_chip_count;
static uint64_t next_byte, latest;
static unsigned overruns;

/* The simulator counts a parity bit that is not there. */
static uint64_t byte_cycles(const struct core *core)
{
	const uint8_t *data = core->avr->data;
	unsigned divisor = (data[UBRR0L] | data[UBRR0H] << 8) + 1;

	return (uint64_t)divisor * (data[UCSR0A] & 1 << U2X0 ? 8 : 16) * BITS_PER_BYTE;
}

static void sent(avr_irq_t *irq, uint32_t value, void *param)
{
	struct core *core = param;

	(void)irq;
	core->uart->cycles_per_byte = byte_cycles(core);
	latest = core_cycle(core);
	if (from_chip_end == sizeof(from_chip)) {
		fprintf(stderr, "the rig's buffer for bytes from the chip is full\n");
		exit(3);
	}
	from_chip[from_chip_end++] = value;
}

/* A whole byte has come in on the line. */
static void arrive(uint8_t byte)
{
	if (in_chip_count == CHIP_BUFFER)
		overruns++;
	else
		in_chip[in_chip_count++] = byte;
}

/* The simulator's own buffer is deeper than the chip's, and its receiver hands out late bytes more slowly than the
 * chip does. So the chip's buffer is kept here, and the simulator gets its next byte once it has passed on the last. */
static void pass_on(struct core *core)
{
	avr_uart_t *uart = core->uart;

	if (!uart_fifo_isempty(&uart->input))
		return;
	uart->cycles_per_byte = 1; /* the byte is whole already */
	avr_raise_irq(avr_io_getirq(core->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), in_chip[0]);
	uart->cycles_per_byte = byte_cycles(core);
	memmove(in_chip, in_chip + 1, --in_chip_count);
}

void serial_step(struct core *core)
{
	if (to_chip_at != to_chip_end && core_cycle(core) >= next_byte && avr_regbit_get(core->avr, core->uart->rxen)) {
		next_byte = core_cycle(core) + byte_cycles(core);
		latest = core_cycle(core);
		arrive(to_chip[to_chip_at++]);
	}
	if (in_chip_count)
		pass_on(core);
}

static bool write_out(void)
{
	size_t at = 0;

	while (at < from_chip_end) {
		ssize_t count = write(terminal, from_chip + at, from_chip_end - at);

		if (count <= 0)
			break;
		at += count;
	}
	from_chip_end -= at;
	memmove(from_chip, from_chip + at, from_chip_end);
	return from_chip_end == 0;
}

static void read_in(void)
{
	ssize_t count;

	if (to_chip_at != to_chip_end)
		return;
	count = read(terminal, to_chip, sizeof(to_chip));
	to_chip_at = 0;
	to_chip_end = count > 0 ? count : 0;
}

bool serial_exchange(struct core *core, int control_fd)
{
	struct pollfd ready[] = {{terminal, POLLOUT, 0}, {control_fd, POLLIN, 0}};

	(void)core;
	read_in();
	while (!write_out()) {
		poll(ready, 2, 1000);
		if (ready[1].revents)
			return false;
		read_in();
	}
	return true;
}

void serial_wait(int control_fd, int timeout_ms)
{
	struct pollfd ready[] = {{terminal, POLLIN, 0}, {control_fd, POLLIN, 0}};

	poll(ready, 2, timeout_ms);
}

uint64_t serial_latest(void)
{
	return latest;
}

unsigned serial_overruns(void)
{
	return overruns;
}

bool serial_was_opened(void)
{
	char events[4096];

	return read(opened, events, sizeof(events)) > 0;
}

void serial_chip_was_reset(void)
{
	to_chip_at = to_chip_end = in_chip_count = 0;
}

void serial_init(struct core *core, int descriptor)
{
	terminal = descriptor;
	opened = inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
	if (opened < 0 || inotify_add_watch(opened, ptsname(terminal), IN_OPEN) < 0) {
		perror("the terminal cannot be watched");
		exit(3);
	}
	avr_irq_register_notify(avr_io_getirq(core->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), sent, core);
}
