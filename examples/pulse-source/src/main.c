/* Reference pulse source: ATmega328P at 16 MHz, stimulus on OC1A (PB1), response on ICP1 (PB0), serial on PD0/PD1. */

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <stdbool.h>

#include "control.h"
#include "errors.h"
#include "messages.h"
#include "run.h"
#include "settings.h"
#include "stimulus.h"
#include "stream.h"
#include "timebase.h"
#include "uart.h"

int main(void)
{
	bool after_hang = MCUSR & _BV(WDRF);

	MCUSR = 0;
	wdt_enable(WDTO_500MS);
	settings_reset();
	timebase_start();
	stimulus_init();
	uart_init();
	if (after_hang)
		errors_add(SYSTEM_ERROR);
	sei();
	for (;;) {
		wdt_reset();
		run_poll();
		stream_poll();
		control_poll();
		messages_poll();
	}
}
