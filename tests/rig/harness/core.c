#include "core.h"

#include <simavr/avr_ioport.h>
#include <simavr/sim_elf.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "timer_faults.h"

#define SPL 0x5d
#define SPH 0x5e
#define HANG_ADDRESS 0x7ff0
#define RJMP_TO_ITSELF 0xcfff
#define ERASED 0xff
#define FLASH_BYTES 0x8000
#define ENTRY_CYCLES 4 /* ATmega328P datasheet DS40002061, 7.7.1 */

/* Exported by the library, declared in a header it does not install. */
avr_flashaddr_t avr_run_one(avr_t *avr);

static void deliver_inputs(struct core *core)
{
	avr_t *avr = core->avr;

	while (core->event_count && core->events[0].cycle <= avr->cycle) {
		struct input_event event = core->events[0];
		uint64_t now = avr->cycle;

		core->event_count--;
		memmove(core->events, core->events + 1, core->event_count * sizeof(event));
		if (event.level == core->input_level)
			continue;
		core->input_level = event.level;
		avr->cycle = event.cycle; /* so that the capture unit takes the count of that cycle */
		avr_raise_irq(core->input, event.level);
		avr->cycle = now;
		core->on_input(core, event.level, event.cycle);
	}
}

static void watch_stack(struct core *core)
{
	uint16_t stack = core->avr->data[SPL] | core->avr->data[SPH] << 8;

	if (stack >= 0x100 && stack < core->lowest_stack)
		core->lowest_stack = stack;
}

/* Stands in for the simulator's own run function, whose interrupts take no time. */
static void run(avr_t *avr)
{
	struct core *core = avr->custom.data;
	uint64_t started = avr->cycle;
	avr_flashaddr_t next = avr_run_one(avr);

	if (avr->state != cpu_Running) {
		fprintf(stderr, "the simulated chip stopped at address 0x%x, state %d\n", avr->pc, avr->state);
		exit(3);
	}
	timer_faults_update_pins(core, core->corrections & CORRECT_PIN_TIME ? avr->cycle : started);
	avr_cycle_timer_process(avr);
	timer_faults_missed_match(core);
	deliver_inputs(core);
	avr->pc = next;
	if (avr->interrupt_state)
		avr_service_interrupts(avr);
	if (avr->pc != next) {
		if (core->corrections & CORRECT_ENTRY)
			avr->cycle += ENTRY_CYCLES;
	}
	watch_stack(core);
}

static void was_reset(struct core *core)
{
	core->resets++;
	core->latch = false;
	core->event_count = 0;
	timer_faults_update_pins(core, core->avr->cycle);
}

void core_step(struct core *core)
{
	avr_t *avr = core->avr;
	bool resetting = avr->run != run; /* the watchdog puts a function of its own there, once */

	avr->run(avr);
	if (resetting)
		was_reset(core);
}

void core_reset(struct core *core)
{
	avr_t *avr = core->avr;

	avr->run = run; /* a watchdog that has just gone off has nothing to do any more */
	avr_reset(avr);
	avr_regbit_set(avr, avr->reset_flags.extrf);
	was_reset(core);
}

bool core_in_boot_loader(const struct core *core)
{
	return core->boot_address && core->avr->pc >= core->boot_address;
}

void core_boot_loader(struct core *core, const char *path, uint16_t address)
{
	FILE *file = fopen(path, "rb");

	if (!file || !fread(core->avr->flash + address, 1, FLASH_BYTES - address, file)) {
		fprintf(stderr, "cannot load boot loader %s\n", path);
		exit(3);
	}
	fclose(file);
	core->boot_address = core->avr->reset_pc = address;
	core_reset(core);
	core->resets = 0;
}

void core_input(struct core *core, uint64_t cycle, bool level)
{
	unsigned at = core->event_count;

	if (at == INPUT_EVENTS) {
		fprintf(stderr, "too many edges wait for an input\n");
		exit(3);
	}
	for (; at && core->events[at - 1].cycle > cycle; at--)
		core->events[at] = core->events[at - 1];
	core->events[at] = (struct input_event){cycle, level};
	core->event_count++;
}

void core_hang(struct core *core)
{
	avr_t *avr = core->avr;

	while (avr->interrupts.running_ptr)
		core_step(core);
	avr->flash[HANG_ADDRESS] = RJMP_TO_ITSELF & 0xff;
	avr->flash[HANG_ADDRESS + 1] = RJMP_TO_ITSELF >> 8;
	avr->pc = HANG_ADDRESS;
}

void core_init(struct core *core, const char *elf, unsigned corrections, char input_port, int input_bit)
{
	elf_firmware_t firmware = {0};
	uint32_t no_flags = 0;
	bool empty = !strcmp(elf, "-");

	if (!empty && elf_read_firmware(elf, &firmware)) {
		fprintf(stderr, "cannot load firmware %s\n", elf);
		exit(3);
	}
	core->avr = avr_make_mcu_by_name("atmega328p");
	if (!core->avr) {
		fprintf(stderr, "the simulator does not know the ATmega328P\n");
		exit(3);
	}
	avr_init(core->avr);
	if (empty) {
		memset(core->avr->flash, ERASED, FLASH_BYTES);
		core->avr->codeend = core->avr->flashend;
	} else {
		avr_load_firmware(core->avr, &firmware);
	}
	core->avr->frequency = 16000000;
	core->avr->log = LOG_NONE;
	core->avr->custom.data = core;
	core->avr->run = run;
	core->corrections = corrections;
	core->lowest_stack = 0xffff;
	avr_ioctl(core->avr, AVR_IOCTL_UART_SET_FLAGS('0'), &no_flags);
	for (avr_io_t *io = core->avr->io_port; io; io = io->next)
		if (!strcmp(io->kind, "uart"))
			core->uart = (avr_uart_t *)io;
	core->input = avr_io_getirq(core->avr, AVR_IOCTL_IOPORT_GETIRQ(input_port), input_bit);
	timer_faults_init(core);
}
