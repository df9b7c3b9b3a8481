#ifndef SERIAL_H
#define SERIAL_H

/* A simulated chip's UART on a pseudo-terminal, at the pace of the real line. */

#include <stddef.h>

#include "core.h"

#define CHIP_BUFFER 3 /* received bytes the chip keeps: two, and one in the shift register */

struct serial {
	struct core *core;
	int terminal, opened;
	uint8_t to_chip[4096], from_chip[8192];
	size_t to_chip_at, to_chip_end, from_chip_end;
	uint8_t in_chip[CHIP_BUFFER];
	unsigned in_chip_count;
	uint64_t next_byte;
	uint64_t latest;   /* cycle of the latest byte in either direction */
	unsigned overruns; /* bytes that came while the chip's two-byte buffer was full */
};

/* Takes over the descriptor of a pseudo-terminal, which must not block. */
void serial_init(struct serial *line, struct core *core, int descriptor);

/* Hands over the next received byte when its time has come; call after every step. */
void serial_step(struct serial *line);

/* Moves bytes to and from the pseudo-terminal. While the other side does not read, this waits, and simulated time
 * with it; control_fd becoming readable ends the wait. Returns whether all was written. */
bool serial_exchange(struct serial *line, int control_fd);

/* True once after somebody has opened the terminal: boards reset then, by a control line that no terminal has. */
bool serial_was_opened(const struct serial *line);

/* The chip was reset: bytes on their way to it are lost. */
void serial_chip_was_reset(struct serial *line);

/* Waits for input, at most so long. */
void serial_wait(const struct serial *line, int control_fd, int timeout_ms);

#endif
