#ifndef PROGRAMS_H
#define PROGRAMS_H

/* The three programs in the PIO's instruction memory. Each keeps time in X, which goes down by one every two cycles
 * on every path, so that all machines started together agree on the time for as long as they run:
 *
 *   tick now = ~X, looked at (JMP PIN, JMP X!=Y) in every second cycle.
 *
 * A path of n cycles holds n / 2 decrements. X also passes zero, where JMP X-- does not jump: what such a jump leads
 * to is therefore always what follows it too, by its place or by the machine's wrap.
 *
 * Encodings are from memory of the data sheet. An assembler for the PIO that is not ours made the same words of the same
 * programs, and tests/rp2040 runs them in an emulator, an implementation of its own. */

#include <stdint.h>

/* Jumps: to an index within the memory */
#define JMP(to) (0x0000 | (to))
#define JMP_X_DEC(to) (0x0040 | (to))
#define JMP_X_NOT_Y(to) (0x00a0 | (to))
#define JMP_PIN(to) (0x00c0 | (to))
#define PUSH_NOBLOCK 0x8000
#define PULL_NOBLOCK 0x8080
#define MOV_PINS_ISR 0xa006
#define MOV_X_OSR 0xa027
#define MOV_Y_OSR 0xa047
#define MOV_ISR_X 0xa0c1
#define MOV_ISR_NULL 0xa0c3
#define MOV_ISR_NOT_ISR 0xa0ce
#define SET_PINS(level) (0xe000 | (level))
#define SET_PIN_DIRECTIONS(out) (0xe080 | (out))

/* Turns its pin over at each tick that comes in, in order; all of them must be ahead of the present. Without one, X is
 * pulled instead, which differs from X no sooner than it has been compared: it looks again three ticks later. */
#define TOGGLER 0
#define TOGGLER_WRAP_TO (TOGGLER + 6)
#define TOGGLER_WRAP_FROM (TOGGLER + 11)
#define TOGGLER_START (TOGGLER + 9)
#define TOGGLER_PROGRAM                                                          \
	JMP_X_DEC(TOGGLER + 1), /* 0: a tick has come */                         \
	JMP_X_DEC(TOGGLER + 2),                                                  \
	JMP_X_DEC(TOGGLER + 3), /* 2: not yet */                                 \
	JMP_X_NOT_Y(TOGGLER + 2),                                                \
	MOV_ISR_NOT_ISR,                                                         \
	MOV_PINS_ISR,           /* two cycles after the tick */                  \
	JMP_X_DEC(TOGGLER + 7), /* 6 */                                          \
	JMP_X_DEC(TOGGLER + 8),                                                  \
	JMP_X_DEC(TOGGLER + 9),                                                  \
	PULL_NOBLOCK,           /* 9 */                                          \
	MOV_Y_OSR,                                                               \
	JMP_X_NOT_Y(TOGGLER)    /* 11: wraps to 6 */

/* Pushes X at each rise of its pin; blind for three ticks after one. */
#define RISES 12
#define RISES_WRAP_TO (RISES + 7)
#define RISES_WRAP_FROM (RISES + 8)
#define RISES_START (RISES + 5) /* as if high: a rise needs a low first */
#define RISES_PROGRAM                                                            \
	MOV_ISR_X,              /* 0: it rose */                                 \
	PUSH_NOBLOCK,                                                            \
	JMP_X_DEC(RISES + 3),                                                    \
	JMP_X_DEC(RISES + 4),                                                    \
	JMP_X_DEC(RISES + 5),   /* 4: still high */                              \
	JMP_PIN(RISES + 4),     /* 5: look while high */                         \
	JMP_X_DEC(RISES + 7),                                                    \
	JMP_PIN(RISES),         /* 7: look while low */                          \
	JMP_X_DEC(RISES + 7)    /* 8: wraps to 7 */

/* Pushes X at each fall of its pin; blind for three ticks after one. */
#define FALLS 21
#define FALLS_WRAP_TO (FALLS + 7)
#define FALLS_WRAP_FROM (FALLS + 8)
#define FALLS_START (FALLS + 7)
#define FALLS_PROGRAM                                                            \
	JMP_X_DEC(FALLS + 1),   /* 0: high */                                    \
	JMP_PIN(FALLS),         /* 1: look while high */                         \
	MOV_ISR_X,              /* 2: it fell */                                 \
	PUSH_NOBLOCK,                                                            \
	JMP_X_DEC(FALLS + 5),                                                    \
	JMP_X_DEC(FALLS + 6),                                                    \
	JMP_X_DEC(FALLS + 7),                                                    \
	JMP_PIN(FALLS),         /* 7: look while low */                          \
	JMP_X_DEC(FALLS + 7)    /* 8: wraps to 7 */

#define PROGRAM_WORDS 30

/* From the tick given to TOGGLER to the tick at which RISES sees the edge on the same pin: two cycles to the
 * instruction that drives it, one to the pin, two through the input's synchroniser, rounded up to whole ticks. */
#define TICKS_TO_SEE_OWN_EDGE 3

#endif
