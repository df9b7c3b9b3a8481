#include "clocks.h"

#include "registers.h"
#include "ticks.h"

/* 12 MHz * 125 = 1500 MHz in the PLL's oscillator; / 6 / 2 = 125 MHz */
#define PLL_FEEDBACK 125u
#define PLL_DIVIDER_1 6u
#define PLL_DIVIDER_2 2u

#if CRYSTAL_HZ / (PLL_DIVIDER_1 * PLL_DIVIDER_2) * PLL_FEEDBACK != CLOCK_HZ
#error "the PLL does not make this clock of this crystal"
#endif

#define CRYSTAL_START_DELAY (CRYSTAL_HZ / 1000 / 256 + 1) /* 1 ms, in units of 256 cycles */

/* The watchdog counts down twice a microsecond (a known fault of the chip): half a second. */
#define WATCHDOG_HALF_SECOND 1000000u

static void release(uint32_t blocks)
{
	CLEARING(RESETS_RESET) = blocks;
	while ((RESETS_DONE & blocks) != blocks)
		;
}

static void crystal_start(void)
{
	XOSC_CTRL = XOSC_1_TO_15_MHZ;
	XOSC_STARTUP = CRYSTAL_START_DELAY;
	XOSC_CTRL = XOSC_1_TO_15_MHZ | XOSC_ENABLE;
	while (!(XOSC_STATUS & XOSC_STABLE))
		;
}

static void pll_start(void)
{
	SETTING(RESETS_RESET) = RESET_PLL_SYS;
	release(RESET_PLL_SYS);
	PLL_SYS_CS = 1; /* the crystal, undivided */
	PLL_SYS_FBDIV = PLL_FEEDBACK;
	CLEARING(PLL_SYS_PWR) = PLL_POWER_DOWN | PLL_VCO_DOWN;
	while (!(PLL_SYS_CS & PLL_LOCK))
		;
	PLL_SYS_PRIM = PLL_DIVIDER_1 << 16 | PLL_DIVIDER_2 << 12;
	CLEARING(PLL_SYS_PWR) = PLL_POST_DIVIDERS_DOWN;
}

void clocks_start(void)
{
	crystal_start();
	CLK_SYS_CTRL = CLK_SYS_FROM_REF;
	while (!(CLK_SYS_SELECTED & 1u << CLK_SYS_FROM_REF))
		;
	CLK_REF_CTRL = CLK_REF_FROM_XOSC;
	while (!(CLK_REF_SELECTED & 1u << CLK_REF_FROM_XOSC))
		;
	pll_start();
	CLK_SYS_CTRL = CLK_SYS_FROM_AUX;
	while (!(CLK_SYS_SELECTED & 1u << CLK_SYS_FROM_AUX))
		;
	CLK_PERI_CTRL = CLK_PERI_ENABLE;
	WATCHDOG_TICK = WATCHDOG_TICK_ENABLE | CRYSTAL_HZ / 1000000;
	release(RESET_IO_BANK0 | RESET_PADS_BANK0 | RESET_PIO0 | RESET_TIMER | RESET_UART0);
}

void watchdog_start(void)
{
	PSM_WDSEL = PSM_ALL_BUT_OSCILLATORS;
	watchdog_feed();
	WATCHDOG_CTRL = WATCHDOG_ENABLE;
}

void watchdog_feed(void)
{
	WATCHDOG_LOAD = WATCHDOG_HALF_SECOND;
}

bool watchdog_was_reason(void)
{
	return WATCHDOG_REASON & WATCHDOG_TIMED_OUT;
}
