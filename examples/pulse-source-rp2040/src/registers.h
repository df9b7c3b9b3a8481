#ifndef REGISTERS_H
#define REGISTERS_H

/* The registers of the RP2040 that this firmware touches, and no others.
 *
 * Addresses and bits are from memory of the data sheet. The emulator that tests/rp2040 runs this firmware in is an
 * implementation independent of ours: what it gets wrong together with us, only a real chip will show. */

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))

/* Writes to these aliases of a peripheral's register set or clear the bits written as one. */
#define SETTING(address) REGISTER((address) + 0x2000)
#define CLEARING(address) REGISTER((address) + 0x3000)

/* Resets, power-on state machine */
#define RESETS_RESET 0x4000c000
#define RESETS_DONE REGISTER(0x4000c008)
#define RESET_IO_BANK0 (1u << 5)
#define RESET_PADS_BANK0 (1u << 8)
#define RESET_PIO0 (1u << 10)
#define RESET_PLL_SYS (1u << 12)
#define RESET_PLL_USB (1u << 13)
#define RESET_TIMER (1u << 21)
#define RESET_UART0 (1u << 22)
#define RESET_USB (1u << 24)
#define PSM_WDSEL REGISTER(0x40010008)
#define PSM_ALL_BUT_OSCILLATORS 0x0001fffcu

/* Crystal oscillator, PLL, clocks */
#define XOSC_CTRL REGISTER(0x40024000)
#define XOSC_STATUS REGISTER(0x40024004)
#define XOSC_STARTUP REGISTER(0x4002400c)
#define XOSC_1_TO_15_MHZ 0xaa0u
#define XOSC_ENABLE (0xfabu << 12)
#define XOSC_STABLE (1u << 31)
#define PLL_SYS 0x40028000
#define PLL_USB 0x4002c000
#define PLL_CS(pll) REGISTER(pll)
#define PLL_PWR(pll) ((pll) + 4)
#define PLL_FBDIV(pll) REGISTER((pll) + 8)
#define PLL_PRIM(pll) REGISTER((pll) + 12)
#define PLL_LOCK (1u << 31)
#define PLL_POWER_DOWN (1u << 0)
#define PLL_POST_DIVIDERS_DOWN (1u << 3)
#define PLL_VCO_DOWN (1u << 5)
#define CLK_REF_CTRL REGISTER(0x40008030)
#define CLK_REF_SELECTED REGISTER(0x40008038)
#define CLK_REF_FROM_XOSC 2u
#define CLK_SYS_CTRL REGISTER(0x4000803c)
#define CLK_SYS_SELECTED REGISTER(0x40008044)
#define CLK_SYS_FROM_REF 0u
#define CLK_SYS_FROM_AUX 1u /* the auxiliary source 0 is the system PLL */
#define CLK_PERI_CTRL REGISTER(0x40008048)
#define CLK_USB_CTRL REGISTER(0x40008054)
#define CLK_USB_ENABLE (1u << 11) /* the auxiliary source 0 is the USB PLL */
#define CLK_PERI_ENABLE (1u << 11) /* the auxiliary source 0 is the system clock */

/* Watchdog and timer */
#define WATCHDOG_CTRL REGISTER(0x40058000)
#define WATCHDOG_LOAD REGISTER(0x40058004)
#define WATCHDOG_REASON REGISTER(0x40058008)
#define WATCHDOG_TICK REGISTER(0x4005802c)
#define WATCHDOG_ENABLE (1u << 30)
#define WATCHDOG_TIMED_OUT (1u << 0)
#define WATCHDOG_TICK_ENABLE (1u << 9)
#define TIMER_RAW_HIGH REGISTER(0x40054024)
#define TIMER_RAW_LOW REGISTER(0x40054028)

/* Pins */
#define GPIO_STATUS(pin) REGISTER(0x40014000 + 8 * (pin))
#define GPIO_CTRL(pin) REGISTER(0x40014004 + 8 * (pin))
#define GPIO_FROM_PAD (1u << 17)
#define GPIO_UART 2u
#define GPIO_PIO0 6u
#define GPIO_OUTPUT_INVERTED (1u << 8)
#define GPIO_INPUT_INVERTED (1u << 16)
#define PAD(pin) REGISTER(0x4001c004 + 4 * (pin))
#define PAD_SCHMITT (1u << 1)
#define PAD_PULL_DOWN (1u << 2)
#define PAD_PULL_UP (1u << 3)
#define PAD_4_MA (1u << 4)
#define PAD_INPUT (1u << 6)

/* UART0 */
#define UART_DATA REGISTER(0x40034000)
#define UART_FLAGS REGISTER(0x40034018)
#define UART_DIVISOR REGISTER(0x40034024)
#define UART_FRACTION REGISTER(0x40034028)
#define UART_LINE REGISTER(0x4003402c)
#define UART_CTRL REGISTER(0x40034030)
#define UART_DATA_DAMAGED 0xf00u /* framing, parity, break, overrun */
#define UART_RX_EMPTY (1u << 4)
#define UART_TX_FULL (1u << 5)
#define UART_8_BITS (3u << 5)
#define UART_FIFOS (1u << 4)
#define UART_ON ((1u << 0) | (1u << 8) | (1u << 9)) /* UART, transmitter, receiver */

/* PIO0 */
#define PIO_CTRL REGISTER(0x50200000)
#define PIO_FSTAT REGISTER(0x50200004)
#define PIO_FDEBUG REGISTER(0x50200008)
#define PIO_FLEVEL REGISTER(0x5020000c)
#define PIO_TXF(machine) REGISTER(0x50200010 + 4 * (machine))
#define PIO_RXF(machine) REGISTER(0x50200020 + 4 * (machine))
#define PIO_INSTRUCTION(index) REGISTER(0x50200048 + 4 * (index))
#define PIO_CLKDIV(machine) REGISTER(0x502000c8 + 0x18 * (machine))
#define PIO_EXECCTRL(machine) REGISTER(0x502000cc + 0x18 * (machine))
#define PIO_SHIFTCTRL(machine) REGISTER(0x502000d0 + 0x18 * (machine))
#define PIO_EXECUTE(machine) REGISTER(0x502000d8 + 0x18 * (machine))
#define PIO_PINCTRL(machine) REGISTER(0x502000dc + 0x18 * (machine))
#define PIO_IRQ0_INTE REGISTER(0x5020012c)
#define PIO_CTRL_RESTART(machine) (1u << (4 + (machine)))
#define PIO_CTRL_RESTART_DIVIDERS 0xf00u
#define PIO_RX_STALLED(machine) (1u << (machine))       /* in FDEBUG */
#define PIO_RX_EMPTY(machine) (1u << (8 + (machine)))   /* in FSTAT */
#define PIO_TX_EMPTY(machine) (1u << (24 + (machine)))  /* in FSTAT */
#define PIO_RX_NOT_EMPTY(machine) (1u << (machine))     /* in INTE */
#define PIO_DIVIDE_BY_1 (1u << 16)
#define PIO_SHIFT_RIGHT (3u << 18) /* both shift registers, as after a reset */

/* The Cortex-M0+ itself */
#define SYSTICK_CTRL REGISTER(0xe000e010)
#define SYSTICK_RELOAD REGISTER(0xe000e014)
#define SYSTICK_NOW REGISTER(0xe000e018)
#define SYSTICK_ON 7u /* counts the system clock and interrupts */
#define NVIC_ENABLE REGISTER(0xe000e100)
#define NVIC_PIO0_IRQ0 (1u << 7)
#define VECTOR_TABLE REGISTER(0xe000ed08)

/* Serial flash interface, for the second-stage boot */
#define SSI_CTRLR0 REGISTER(0x18000000)
#define SSI_CTRLR1 REGISTER(0x18000004)
#define SSI_ENABLE REGISTER(0x18000008)
#define SSI_BAUD REGISTER(0x18000014)
#define SSI_STATUS REGISTER(0x18000028)
#define SSI_DATA REGISTER(0x18000060)
#define SSI_SPI_CTRLR0 REGISTER(0x180000f4)
#define SSI_RX_NOT_EMPTY (1u << 3)
#define QSPI_SELECT_CTRL REGISTER(0x4001800c)
#define QSPI_SELECT_LOW (2u << 8) /* whatever the interface does */
#define QSPI_SELECT_HIGH (3u << 8)

/* USB: its memory, and the controller */
#define USB_MEMORY(offset) REGISTER(0x50100000 + (offset))
#define USB_MEMORY_BYTES 4096
#define USB_IN_SETUP(endpoint) (8 * (endpoint))      /* of endpoints 1 to 15 */
#define USB_OUT_SETUP(endpoint) (8 * (endpoint) + 4)
#define USB_IN_CONTROL(endpoint) (0x80 + 8 * (endpoint))
#define USB_OUT_CONTROL(endpoint) (0x84 + 8 * (endpoint))
#define USB_EP0_DATA 0x100
#define USB_BULK_DATA 0x180
#define USB_ENDPOINT_ON (1u << 31 | 1u << 29) /* and a notice after every buffer */
#define USB_BULK_KIND (2u << 26)
#define USB_INTERRUPT_KIND (3u << 26)
#define USB_LENGTH 0x3ffu
#define USB_AVAILABLE (1u << 10)
#define USB_STALL (1u << 11)
#define USB_DATA1 (1u << 13)
#define USB_FULL (1u << 15)
#define USB_ADDRESS REGISTER(0x50110000)
#define USB_CONTROL REGISTER(0x50110040)
#define USB_CONTROLLER_ON 1u
#define USB_SIE_CONTROL REGISTER(0x5011004c)
#define USB_PULL_UP (1u << 16)
#define USB_EP0_EVERY_BUFFER (1u << 29)
#define USB_STATUS REGISTER(0x50110050) /* bits written as one are cleared, as in the next one */
#define USB_SETUP_RECEIVED (1u << 17)
#define USB_BUS_RESET (1u << 19)
#define USB_BUFFERS_DONE REGISTER(0x50110058)
#define USB_IN_DONE(endpoint) (1u << (2 * (endpoint)))
#define USB_OUT_DONE(endpoint) (2u << (2 * (endpoint)))
#define USB_STALL_ARM REGISTER(0x50110068)
#define USB_MUXING REGISTER(0x50110074)
#define USB_TO_PHY 1u
#define USB_SOFT_CONNECT (1u << 3)
#define USB_POWER REGISTER(0x50110078)
#define USB_VBUS_DETECTED (1u << 3)
#define USB_VBUS_OVERRIDE (1u << 2)

#endif
