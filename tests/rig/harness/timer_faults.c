#include "timer_faults.h"

#include <simavr/sim_io.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Data addresses of the ATmega328P. */
#define DDRB 0x24
#define PORTB 0x25
#define TIFR1 0x36
#define TCCR1A 0x80
#define TCCR1C 0x82

#define FOC1A 0x80
#define COM1A(tccr1a) ((tccr1a) >> 6)
#define COM_TOGGLES 1
#define COM_SETS 3

static avr_int_vector_t *flag_vector(struct core *core, int bit)
{
	avr_int_table_t *table = &core->avr->interrupts;

	for (int i = 0; i < table->vector_count; i++) {
		avr_int_vector_t *vector = table->vector[i];

		if (vector->raised.reg == TIFR1 && vector->raised.bit == bit)
			return vector;
	}
	return NULL;
}

static void write_flags(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
	struct core *core = param;

	(void)address;
	for (int bit = 0; bit < 8; bit++) {
		avr_int_vector_t *vector = value & 1 << bit ? flag_vector(core, bit) : NULL;

		if (vector && avr->data[TIFR1] & 1 << bit)
			avr_clear_interrupt(avr, vector);
	}
}

static bool action(struct core *core)
{
	uint8_t com = COM1A(core->avr->data[TCCR1A]);

	return com == COM_TOGGLES ? !core->latch : com == COM_SETS;
}

/* The simulator has no force-output-compare strobe. */
static void write_strobe(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
	struct core *core = param;

	avr->data[address] = 0;
	if (value & FOC1A && COM1A(avr->data[TCCR1A]))
		core->latch = action(core);
}

/* A match on the last count falls together with the overflow, and then tov_base has moved on already. */
static uint64_t match_cycle(const avr_timer_t *timer)
{
	return timer->tov_base + timer->comp[AVR_TIMER_COMPA].comp_cycles % timer->tov_cycles;
}

static void compare_output(avr_irq_t *irq, uint32_t value, void *param)
{
	struct core *core = param;
	avr_timer_t *timer = core->timer1;
	bool level = value & 1;

	(void)irq;
	if (!(core->corrections & CORRECT_COMPARE)) {
		core->latch = level;
		timer_faults_update_pins(core, core_cycle(core));
		return;
	}
	/* At an overflow, and when OCR1A is written, the simulator raises the opposite of the chosen action. */
	if (level != action(core))
		return;
	core->latch = level;
	timer_faults_update_pins(core, match_cycle(timer));
}

void timer_faults_missed_match(struct core *core)
{
	avr_timer_t *timer = core->timer1;
	avr_t *avr = core->avr;

	if (timer->tov_base == core->timer_base)
		return;
	core->timer_base = timer->tov_base;
	for (int i = AVR_TIMER_COMPA; i <= AVR_TIMER_COMPB; i++) {
		uint64_t match = timer->comp[i].comp_cycles;

		if (!match || match >= avr->cycle - timer->tov_base)
			continue;
		avr_raise_interrupt(avr, &timer->comp[i].interrupt);
		if (i == AVR_TIMER_COMPA && COM1A(avr->data[TCCR1A])) {
			core->latch = action(core);
			timer_faults_update_pins(core, timer->tov_base + match);
		}
	}
}

void timer_faults_update_pins(struct core *core, uint64_t cycle)
{
	const uint8_t *data = core->avr->data;
	uint8_t driven = data[DDRB];
	bool level[PINS];

	/* A pin that is not driven reads low: the wiring asks for pull-downs. */
	level[PIN_PB0] = driven & data[PORTB] & 1;
	level[PIN_OC1A] = driven & 2 && (COM1A(data[TCCR1A]) ? core->latch : data[PORTB] >> 1 & 1);
	for (int pin = 0; pin < PINS; pin++) {
		if (level[pin] == core->level[pin])
			continue;
		core->level[pin] = level[pin];
		core->on_edge(core, pin, level[pin], cycle);
	}
}

void timer_faults_init(struct core *core)
{
	avr_t *avr = core->avr;

	for (avr_io_t *io = avr->io_port; io; io = io->next)
		if (!strcmp(io->kind, "timer") && ((avr_timer_t *)io)->name == '1')
			core->timer1 = (avr_timer_t *)io;
	if (!core->timer1) {
		fprintf(stderr, "the simulated chip has no timer 1\n");
		exit(3);
	}
	if (core->corrections & CORRECT_FLAGS) {
		/* In place of the simulator's own function, not in addition to it. */
		avr->io[AVR_DATA_TO_IO(TIFR1)].w.c = write_flags;
		avr->io[AVR_DATA_TO_IO(TIFR1)].w.param = core;
	}
	avr_register_io_write(avr, TCCR1C, write_strobe, core);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_TIMER_GETIRQ('1'), TIMER_IRQ_OUT_COMP + AVR_TIMER_COMPA),
				compare_output, core);
}
