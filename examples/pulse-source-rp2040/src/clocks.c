#include "clocks.h"

#include "registers.h"
#include "ticks.h"

/* 12 MHz * 125 = 1500 MHz in the PLL's oscillator; / 6 / 2 = 125 MHz */
#define PLL_FEEDBACK 125u
#define PLL_DIVIDER_1 6u
#define PLL_DIVIDER_2 2u

/* 12 MHz * 100 = 1200 MHz; / 5 / 5 = 48 MHz, which USB needs exactly */
#define USB_FEEDBACK 100u
#define USB_DIVIDER 5u

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

static void pll_start(uint32_t pll, uint32_t block, uint32_t feedback, uint32_t divider_1, uint32_t divider_2)
{
	SETTING(RESETS_RESET) = block;
	release(block);
	PLL_CS(pll) = 1; /* the crystal, undivided */
	PLL_FBDIV(pll) = feedback;
	CLEARING(PLL_PWR(pll)) = PLL_POWER_DOWN | PLL_VCO_DOWN;
	while (!(PLL_CS(pll) & PLL_LOCK))
		;
	PLL_PRIM(pll) = divider_1 << 16 | divider_2 << 12;
	CLEARING(PLL_PWR(pll)) = PLL_POST_DIVIDERS_DOWN;
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
	pll_start(PLL_SYS, RESET_PLL_SYS, PLL_FEEDBACK, PLL_DIVIDER_1, PLL_DIVIDER_2);
	pll_start(PLL_USB, RESET_PLL_USB, USB_FEEDBACK, USB_DIVIDER, USB_DIVIDER);
	CLK_SYS_CTRL = CLK_SYS_FROM_AUX;
	while (!(CLK_SYS_SELECTED & 1u << CLK_SYS_FROM_AUX))
		;
	CLK_PERI_CTRL = CLK_PERI_ENABLE;
	CLK_USB_CTRL = CLK_USB_ENABLE;
	WATCHDOG_TICK = WATCHDOG_TICK_ENABLE | CRYSTAL_HZ / 1000000;
	release(RESET_IO_BANK0 | RESET_PADS_BANK0 | RESET_PIO0 | RESET_TIMER | RESET_UART0 |
		RESET_USB);
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
