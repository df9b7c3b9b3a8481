/* Board under test: an interrupt handler answers a rising edge on GPIO 2 by a pulse on GPIO 3. A tick counts
 * milliseconds meanwhile, as beginners' frameworks do, and the processor sleeps in between.
 *
 * Addresses and bits are from memory of the data sheet, as those of registers.h. */

#include <stdint.h>

#include "clocks.h"
#include "registers.h"

#define PIN_IN 2
#define PIN_OUT 3
#define GPIO_SIO 5u
#define EDGE_RISING (1u << (4 * (PIN_IN % 8) + 3))
#define PIN_EDGES REGISTER(0x400140f0) /* of the first eight pins; writing a one takes an edge back */
#define PIN_INTERRUPTS REGISTER(0x40014100)
#define OUT_SET REGISTER(0xd0000014)
#define OUT_CLEAR REGISTER(0xd0000018)
#define OUT_ENABLE REGISTER(0xd0000024)
#define PINS_IRQ 13
#define FIRST_INTERRUPT 16
#define SYSTICK_VECTOR 15
#define CYCLES_PER_MS 125000u

volatile uint32_t milliseconds;

void systick_handler(void)
{
	milliseconds++;
}

/* The start-up code names it; nothing here makes it run. */
void pio0_handler(void)
{
}

static void answer(void)
{
	OUT_SET = 1u << PIN_OUT;
	OUT_CLEAR = 1u << PIN_OUT;
	PIN_EDGES = EDGE_RISING;
}

static uintptr_t vectors[FIRST_INTERRUPT + 26] __attribute__((aligned(256)));

int main(void)
{
	clocks_start();
	PAD(PIN_IN) = PAD_INPUT | PAD_SCHMITT | PAD_PULL_DOWN;
	PAD(PIN_OUT) = PAD_4_MA;
	OUT_CLEAR = 1u << PIN_OUT;
	OUT_ENABLE = 1u << PIN_OUT;
	GPIO_CTRL(PIN_IN) = GPIO_CTRL(PIN_OUT) = GPIO_SIO;

	vectors[SYSTICK_VECTOR] = (uintptr_t)systick_handler;
	vectors[FIRST_INTERRUPT + PINS_IRQ] = (uintptr_t)answer;
	VECTOR_TABLE = (uintptr_t)vectors;
	SYSTICK_RELOAD = CYCLES_PER_MS - 1;
	SYSTICK_NOW = 0;
	SYSTICK_CTRL = SYSTICK_ON;
	PIN_EDGES = EDGE_RISING;
	PIN_INTERRUPTS = EDGE_RISING;
	NVIC_ENABLE = 1u << PINS_IRQ;
	for (;;)
		asm volatile("wfi");
}
