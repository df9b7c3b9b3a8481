#include "machines.h"

#include "pins.h"
#include "programs.h"
#include "registers.h"
#include "timebase.h"

#define MACHINES 4
#define FIFO_DEPTH 4
#define ALL_RUN 0xfu
#define SETTING_UP_US 50 /* enough for machines_start() to set all machines up */

static const uint16_t program[PROGRAM_WORDS] = {TOGGLER_PROGRAM, RISES_PROGRAM, FALLS_PROGRAM};

static const struct {
	uint8_t pin, start, wrap_to, wrap_from;
} setup[MACHINES] = {
	[MACHINE_STIMULUS] = {PIN_STIMULUS, TOGGLER_START, TOGGLER_WRAP_TO, TOGGLER_WRAP_FROM},
	[MACHINE_LEADING] = {PIN_STIMULUS, RISES_START, RISES_WRAP_TO, RISES_WRAP_FROM},
	[MACHINE_RISES] = {PIN_RESPONSE, RISES_START, RISES_WRAP_TO, RISES_WRAP_FROM},
	[MACHINE_FALLS] = {PIN_RESPONSE, FALLS_START, FALLS_WRAP_TO, FALLS_WRAP_FROM},
};

static void execute(enum machine machine, uint16_t instruction)
{
	PIO_EXECUTE(machine) = instruction;
}

static void stimulus_pin_idle(void)
{
	execute(MACHINE_STIMULUS, SET_PINS(0));
	execute(MACHINE_STIMULUS, SET_PIN_DIRECTIONS(1));
}

void machines_init(void)
{
	for (uint8_t i = 0; i < PROGRAM_WORDS; i++)
		PIO_INSTRUCTION(i) = program[i];
	for (uint8_t machine = 0; machine < MACHINES; machine++) {
		PIO_CLKDIV(machine) = PIO_DIVIDE_BY_1;
		PIO_EXECCTRL(machine) = (uint32_t)setup[machine].pin << 24 | (uint32_t)setup[machine].wrap_from << 12 |
					(uint32_t)setup[machine].wrap_to << 7;
		PIO_SHIFTCTRL(machine) = PIO_SHIFT_RIGHT;
	}
	PIO_PINCTRL(MACHINE_STIMULUS) = 1u << 26 | 1u << 20 | PIN_STIMULUS << 5 | PIN_STIMULUS; /* SET and OUT: one pin */
	stimulus_pin_idle();
	PAD(PIN_RESPONSE) = PAD_INPUT | PAD_SCHMITT | PAD_PULL_DOWN;
	PAD(PIN_STIMULUS) = PAD_INPUT | PAD_SCHMITT | PAD_PULL_DOWN | PAD_4_MA;
	GPIO_CTRL(PIN_RESPONSE) = GPIO_PIO0;
	machines_invert(false);
}

void machines_invert(bool inverted)
{
	GPIO_CTRL(PIN_STIMULUS) = GPIO_PIO0 | (inverted ? GPIO_OUTPUT_INVERTED | GPIO_INPUT_INVERTED : 0);
}

static void set_up(enum machine machine, uint64_t tick)
{
	uint32_t stale;

	while (machines_take(machine, &stale))
		;
	while (!(PIO_FSTAT & PIO_TX_EMPTY(machine)))
		execute(machine, PULL_NOBLOCK);
	PIO_TXF(machine) = ~(uint32_t)tick;
	execute(machine, PULL_NOBLOCK);
	execute(machine, MOV_X_OSR);
	execute(machine, MOV_ISR_NULL); /* the level TOGGLER turns over */
	execute(machine, JMP(setup[machine].start));
}

uint64_t machines_start(void)
{
	uint64_t tick = timebase_ahead(SETTING_UP_US);

	machines_stop();
	for (uint8_t machine = 0; machine < MACHINES; machine++)
		set_up(machine, tick);
	PIO_FDEBUG = ~0u;
	timebase_wait(tick);
	PIO_CTRL = ALL_RUN | PIO_CTRL_RESTART_DIVIDERS;
	return tick;
}

void machines_stop(void)
{
	uint32_t restart = 0;

	for (uint8_t machine = 0; machine < MACHINES; machine++)
		restart |= PIO_CTRL_RESTART(machine);
	PIO_CTRL = restart;
	stimulus_pin_idle();
}

bool machines_room(uint8_t ticks)
{
	return FIFO_DEPTH - (PIO_FLEVEL & 0xf) >= ticks; /* the lowest field is the first machine's TX FIFO */
}

void machines_turn_at(uint32_t tick)
{
	PIO_TXF(MACHINE_STIMULUS) = ~(tick - TICKS_TO_SEE_OWN_EDGE);
}

bool machines_take(enum machine machine, uint32_t *tick)
{
	if (PIO_FSTAT & PIO_RX_EMPTY(machine))
		return false;
	*tick = ~PIO_RXF(machine);
	return true;
}

bool machines_overflowed(enum machine machine)
{
	if (!(PIO_FDEBUG & PIO_RX_STALLED(machine)))
		return false;
	PIO_FDEBUG = PIO_RX_STALLED(machine);
	return true;
}
