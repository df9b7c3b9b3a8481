#ifndef PINS_H
#define PINS_H

/* Which GPIO does what. UART0 can be on these two. */

#define PIN_SERIAL_OUT 0
#define PIN_SERIAL_IN 1
#define PIN_STIMULUS 2
#define PIN_RESPONSE 3

#endif
