#ifndef CAPTURE_H
#define CAPTURE_H

/* The response: its edges are stamped by a timer of the chip. */

#include <stdbool.h>

void capture_start(void);
void capture_stop(void);

/* Present level of the response input. */
bool capture_level(void);

#endif
