#ifndef CAPTURE_H
#define CAPTURE_H

/* The response on ICP1 (PB0): its edges are stamped by the timer's input capture unit. */

#include <stdbool.h>

void capture_start(void);
void capture_stop(void);

/* Present level of the response input. */
bool capture_level(void);

#endif
