/* Reference pulse source: RP2040 at 125 MHz, stimulus on GPIO2, response on GPIO3, serial on USB, or on GPIO0 and GPIO1. */

#include <stdbool.h>

#include "clocks.h"
#include "control.h"
#include "errors.h"
#include "looking.h"
#include "messages.h"
#include "planning.h"
#include "registers.h"
#include "run.h"
#include "settings.h"
#include "stimulus.h"
#include "stream.h"
#include "ticks.h"
#include "uart.h"
#include "uart_chip.h"
#include "unique_id.h"
#include "usb.h"

#define LOOKS_PER_SECOND 10000

void systick_handler(void)
{
	uart_serve_irq_off();
	capture_breathe_irq_off();
	stimulus_hand_over_irq_off();
}

void pio0_handler(void)
{
	capture_look_irq_off();
	stimulus_hand_over_irq_off();
}

int main(void)
{
	bool after_hang = watchdog_was_reason();

	clocks_start();
	unique_id_init();
	watchdog_start();
	settings_reset();
	stimulus_init();
	uart_init();
	usb_init();
	if (after_hang)
		errors_add(SYSTEM_ERROR);
	SYSTICK_RELOAD = CLOCK_HZ / LOOKS_PER_SECOND - 1;
	SYSTICK_NOW = 0;
	SYSTICK_CTRL = SYSTICK_ON;
	NVIC_ENABLE = NVIC_PIO0_IRQ0;
	asm volatile("cpsie i" : : : "memory");
	for (;;) {
		watchdog_feed();
		run_poll();
		stream_poll();
		control_poll();
		messages_poll();
		asm volatile("wfi"); /* until the next stamp or the next look, 100 us at most */
	}
}
