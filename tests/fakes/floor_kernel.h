/* Built into the floor program by `-include`: its ioctl goes to the fake kernel of gpio_kernel.py, which reads levels
 * from the request's own socket. Anything but a whole SET_VALUES on one line is refused. */
#include <errno.h>
#include <stdint.h>
#include <sys/ioctl.h>
#include <unistd.h>

static int fake_set(int fd, unsigned long request, const uint64_t *values)
{
	char level = (char)values[0];

	/* GPIO_V2_LINE_SET_VALUES_IOCTL of include/uapi/linux/gpio.h on the usual processors */
	if (request != 0xc010b40f || values[1] != 1 || values[0] > 1) {
		errno = EINVAL;
		return -1;
	}
	return write(fd, &level, 1) == 1 ? 0 : -1;
}

#define ioctl(fd, request, values) fake_set(fd, request, (const uint64_t *)(values))
