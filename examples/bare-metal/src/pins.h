#ifndef PINS_H
#define PINS_H

/* Pins by number: 0 to 7 on port D, 8 to 13 on port B, 14 to 19 on port C. */

#include <stdint.h>

/* Writes a level to a pin. A pulse width output running on the pin is switched off first; out-of-range pins are
 * ignored. */
void pin_write(uint8_t pin, uint8_t level);

#endif
