#ifndef CORE_H
#define CORE_H

/* One simulated ATmega328P at 16 MHz with the simulator's known faults put right, one instruction at a time. */

#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <stdbool.h>
#include <stdint.h>

/* Corrections; each can be left out so that a test can show what goes wrong without it. */
enum {
	CORRECT_FLAGS = 1,      /* writing TIFR1 clears the flags written as one, not all of them */
	CORRECT_COMPARE = 2,    /* no output edge at an overflow or at a write to OCR1A, only at a match */
	CORRECT_ENTRY = 4,      /* entering an interrupt takes 4 cycles */
	CORRECT_PIN_TIME = 8,   /* a pin changes at the end of its instruction */
	CORRECT_ALL = 15,
};

enum core_pin { PIN_OC1A, PIN_PB0, PINS };

struct core;
typedef void (*core_edge_fn)(struct core *core, enum core_pin pin, bool level, uint64_t cycle);
typedef void (*core_input_fn)(struct core *core, bool level, uint64_t cycle);

struct input_event {
	uint64_t cycle;
	bool level;
};

#define INPUT_EVENTS 64

struct core {
	avr_t *avr;
	unsigned corrections;
	avr_timer_t *timer1;
	avr_uart_t *uart;
	core_edge_fn on_edge;   /* an output pin changed */
	core_input_fn on_input; /* the input pin changed */
	bool latch;             /* the compare unit's output, OC1A before the port */
	bool level[PINS];
	uint64_t timer_base;    /* cycle of timer 1's latest overflow */
	avr_irq_t *input;
	bool input_level;
	struct input_event events[INPUT_EVENTS]; /* sorted by cycle */
	unsigned event_count;
	uint16_t lowest_stack;
	unsigned resets;
	uint16_t boot_address;  /* where a boot loader begins; 0 without one */
};

/* Loads the firmware, none into an erased chip when its path is "-"; the input pin is given as a port's letter and a bit. Exits with a message on failure. */
void core_init(struct core *core, const char *elf, unsigned corrections, char input_port, int input_bit);

/* Puts a boot loader, as it lies in flash from an address on, into a chip; it runs after each reset. */
void core_boot_loader(struct core *core, const char *path, uint16_t address);

/* As if the reset button were pressed. */
void core_reset(struct core *core);

/* Whether the boot loader is running. */
bool core_in_boot_loader(const struct core *core);

/* Runs one instruction, and whatever the hardware does meanwhile. */
void core_step(struct core *core);

/* Lets the input pin change at a cycle, which may lie a few cycles back: a capture is stamped exactly all the
 * same. */
void core_input(struct core *core, uint64_t cycle, bool level);

/* Puts the main program into an endless loop; interrupts go on. */
void core_hang(struct core *core);

static inline uint64_t core_cycle(const struct core *core)
{
	return core->avr->cycle;
}

#endif
