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

/* The simulator counts a parity bit that is not there. */
static uint64_t byte_cycles(const struct core *core)
{
	const uint8_t *data = core->avr->data;
	unsigned divisor = (data[UBRR0L] | data[UBRR0H] << 8) + 1;

	return (uint64_t)divisor * (data[UCSR0A] & 1 << U2X0 ? 8 : 16) * BITS_PER_BYTE;
}

static void sent(avr_irq_t *irq, uint32_t value, void *param)
{
	struct serial *line = param;
	struct core *core = line->core;

	(void)irq;
	core->uart->cycles_per_byte = byte_cycles(core);
	line->latest = core_cycle(core);
	if (line->from_chip_end == sizeof(line->from_chip)) {
		fprintf(stderr, "the rig's buffer for bytes from the chip is full\n");
		exit(3);
	}
	line->from_chip[line->from_chip_end++] = value;
}

/* A whole byte has come in on the line. */
static void arrive(struct serial *line, uint8_t byte)
{
	if (line->in_chip_count == CHIP_BUFFER)
		line->overruns++;
	else
		line->in_chip[line->in_chip_count++] = byte;
}

/* The simulator's own buffer is deeper than the chip's, and its receiver hands out late bytes more slowly than the
 * chip does. So the chip's buffer is kept here, and the simulator gets its next byte once it has passed on the last. */
static void pass_on(struct serial *line)
{
	struct core *core = line->core;
	avr_uart_t *uart = core->uart;

	if (!uart_fifo_isempty(&uart->input))
		return;
	uart->cycles_per_byte = 1; /* the byte is whole already */
	avr_raise_irq(avr_io_getirq(core->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), line->in_chip[0]);
	uart->cycles_per_byte = byte_cycles(core);
	memmove(line->in_chip, line->in_chip + 1, --line->in_chip_count);
}

void serial_step(struct serial *line)
{
	struct core *core = line->core;

	if (line->to_chip_at != line->to_chip_end && core_cycle(core) >= line->next_byte &&
	    avr_regbit_get(core->avr, core->uart->rxen)) {
		line->next_byte = core_cycle(core) + byte_cycles(core);
		line->latest = core_cycle(core);
		arrive(line, line->to_chip[line->to_chip_at++]);
	}
	if (line->in_chip_count)
		pass_on(line);
}

static bool write_out(struct serial *line)
{
	size_t at = 0;

	while (at < line->from_chip_end) {
		ssize_t count = write(line->terminal, line->from_chip + at, line->from_chip_end - at);

		if (count <= 0)
			break;
		at += count;
	}
	line->from_chip_end -= at;
	memmove(line->from_chip, line->from_chip + at, line->from_chip_end);
	return line->from_chip_end == 0;
}

static void read_in(struct serial *line)
{
	ssize_t count;

	if (line->to_chip_at != line->to_chip_end)
		return;
	count = read(line->terminal, line->to_chip, sizeof(line->to_chip));
	line->to_chip_at = 0;
	line->to_chip_end = count > 0 ? count : 0;
}

bool serial_exchange(struct serial *line, int control_fd)
{
	struct pollfd ready[] = {{line->terminal, POLLOUT, 0}, {control_fd, POLLIN, 0}};

	read_in(line);
	while (!write_out(line)) {
		poll(ready, 2, 1000);
		if (ready[1].revents)
			return false;
		read_in(line);
	}
	return true;
}

void serial_wait(const struct serial *line, int control_fd, int timeout_ms)
{
	struct pollfd ready[] = {{line->terminal, POLLIN, 0}, {control_fd, POLLIN, 0}};

	poll(ready, 2, timeout_ms);
}

bool serial_was_opened(const struct serial *line)
{
	char events[4096];

	return read(line->opened, events, sizeof(events)) > 0;
}

void serial_chip_was_reset(struct serial *line)
{
	line->to_chip_at = line->to_chip_end = line->in_chip_count = 0;
}

void serial_init(struct serial *line, struct core *core, int descriptor)
{
	line->core = core;
	line->terminal = descriptor;
	line->opened = inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
	if (line->opened < 0 || inotify_add_watch(line->opened, ptsname(descriptor), IN_OPEN) < 0) {
		perror("the terminal cannot be watched");
		exit(3);
	}
	avr_irq_register_notify(avr_io_getirq(core->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), sent, line);
}
