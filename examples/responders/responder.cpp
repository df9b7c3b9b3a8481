// The reject gate in C++, by the GPIO character device: responder CHIP INPUT OUTPUT COUNT
//
// Answers COUNT rising edges of the line with offset INPUT by a pulse on OUTPUT; "ready" on stderr when it waits. Lines
// are given back by destructors; what fails is an exception with the system's own words.
#include <cerrno>
#include <cstdint>
#include <fcntl.h>
#include <iostream>
#include <linux/gpio.h>
#include <string>
#include <sys/ioctl.h>
#include <system_error>
#include <unistd.h>

class Descriptor {
public:
	Descriptor(int fd, const char *what) : fd_(fd)
	{
		if (fd < 0)
			throw std::system_error(errno, std::generic_category(), what);
	}
	Descriptor(const Descriptor &) = delete;
	Descriptor &operator=(const Descriptor &) = delete;
	~Descriptor() { close(fd_); }
	int get() const { return fd_; }

private:
	int fd_;
};

class Line {
public:
	Line(const Descriptor &chip, unsigned offset, std::uint64_t flags) : fd_(request(chip, offset, flags), "line") {}

	void await() const
	{
		gpio_v2_line_event event;
		if (read(fd_.get(), &event, sizeof event) != sizeof event)
			throw std::system_error(errno, std::generic_category(), "input");
	}

	void set(bool level) const
	{
		gpio_v2_line_values values{level, 1};
		if (ioctl(fd_.get(), GPIO_V2_LINE_SET_VALUES_IOCTL, &values) != 0)
			throw std::system_error(errno, std::generic_category(), "output");
	}

private:
	static int request(const Descriptor &chip, unsigned offset, std::uint64_t flags)
	{
		gpio_v2_line_request line{};
		line.offsets[0] = offset;
		line.config.flags = flags;
		line.num_lines = 1;
		std::string("responder").copy(line.consumer, sizeof line.consumer - 1);
		return ioctl(chip.get(), GPIO_V2_GET_LINE_IOCTL, &line) == 0 ? line.fd : -1;
	}

	Descriptor fd_;
};

int main(int argc, char **argv)
try {
	if (argc != 5) {
		std::cerr << "usage: responder CHIP INPUT OUTPUT COUNT\n";
		return 2;
	}
	const Descriptor chip(open(argv[1], O_RDWR | O_CLOEXEC), argv[1]);
	const Line output(chip, static_cast<unsigned>(std::stoul(argv[3])), GPIO_V2_LINE_FLAG_OUTPUT);
	const Line input(chip, static_cast<unsigned>(std::stoul(argv[2])), GPIO_V2_LINE_FLAG_INPUT | GPIO_V2_LINE_FLAG_EDGE_RISING);
	std::cerr << "ready" << std::endl;
	for (long count = std::stol(argv[4]); count > 0; count--) {
		input.await();
		output.set(true);
		output.set(false);
	}
	return 0;
} catch (const std::exception &error) {
	std::cerr << "responder: " << error.what() << '\n';
	return 3;
}
