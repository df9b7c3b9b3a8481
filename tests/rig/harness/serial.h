#ifndef SERIAL_H
#define SERIAL_H

/* The simulated chip's UART on a pseudo-terminal, at the pace of the real line. */

#include "core.h"

/* Takes over the descriptor of a pseudo-terminal, which must not block. */
void serial_init(struct core *core, int descriptor);

/* Hands over the next received byte when its time has come; call after every step. */
void serial_step(struct core *core);

/* Moves bytes to and from the pseudo-terminal. While the other side does not read, this waits, and simulated time
 * with it; control_fd becoming readable ends the wait. Returns whether all was written. */
bool serial_exchange(struct core *core, int control_fd);

/* True once after somebody has opened the terminal: boards reset then, by a control line that no terminal has. */
bool serial_was_opened(void);

/* The chip was reset: bytes on their way to it are lost. */
void serial_chip_was_reset(void);

/* Waits for input, at most so long. */
void serial_wait(int control_fd, int timeout_ms);

/* Cycle of the latest byte in either direction. */
uint64_t serial_latest(void);

/* Bytes that came while the chip's two-byte buffer was full. */
unsigned serial_overruns(void);

#endif
