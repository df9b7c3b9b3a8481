/* The reject gate in C, by the GPIO character device: responder CHIP INPUT OUTPUT COUNT
 *
 * Answers COUNT rising edges of the line with offset INPUT by a pulse on OUTPUT; "ready" on stderr when it waits. The
 * output is low before the first edge and after the last.
 */
#include <fcntl.h>
#include <linux/gpio.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <unistd.h>

static int request(int chip, unsigned int offset, unsigned long long flags)
{
	struct gpio_v2_line_request line = {
		.offsets = { offset }, .consumer = "responder", .config.flags = flags, .num_lines = 1
	};

	return ioctl(chip, GPIO_V2_GET_LINE_IOCTL, &line) ? -1 : line.fd;
}

int main(int argc, char **argv)
{
	struct gpio_v2_line_values high = { .bits = 1, .mask = 1 }, low = { .bits = 0, .mask = 1 };
	struct gpio_v2_line_event event;
	int chip = argc == 5 ? open(argv[1], O_RDWR | O_CLOEXEC) : -1;
	int output = chip < 0 ? -1 : request(chip, atoi(argv[3]), GPIO_V2_LINE_FLAG_OUTPUT);
	int input = output < 0 ? -1 : request(chip, atoi(argv[2]), GPIO_V2_LINE_FLAG_INPUT | GPIO_V2_LINE_FLAG_EDGE_RISING);

	if (input < 0) {
		perror("responder CHIP INPUT OUTPUT COUNT");
		return 2;
	}
	fputs("ready\n", stderr);
	for (long count = atol(argv[4]); count > 0; count--) {
		if (read(input, &event, sizeof(event)) != sizeof(event))
			return 3;
		ioctl(output, GPIO_V2_LINE_SET_VALUES_IOCTL, &high);
		ioctl(output, GPIO_V2_LINE_SET_VALUES_IOCTL, &low);
	}
	return 0;
}
