/* The second-stage boot: the chip's ROM copies the flash's first 256 bytes to RAM, checks the CRC-32 in their last
 * four (image.py), and runs them. All this one does is to let the flash be read as memory by the command that every
 * serial flash obeys, 03h with 24 address bits, and to begin at the vector table behind itself. */

#include "registers.h"

#define FIRST_VECTORS 0x10000100

#define CLOCK_DIVIDER 4
#define STANDARD_SPI (0u << 21)
#define WORDS_OF_32_BITS (31u << 16)
#define SEND_THEN_READ (3u << 8)
#define READ_COMMAND (0x03u << 24)
#define COMMAND_OF_8_BITS (2u << 8)
#define ADDRESS_OF_24_BITS (6u << 2) /* in units of 4 bits */

__attribute__((section(".boot2"), used, noreturn)) void second_stage(void)
{
	SSI_ENABLE = 0;
	SSI_BAUD = CLOCK_DIVIDER;
	SSI_CTRLR0 = STANDARD_SPI | WORDS_OF_32_BITS | SEND_THEN_READ;
	SSI_CTRLR1 = 0; /* one word at a time */
	SSI_SPI_CTRLR0 = READ_COMMAND | COMMAND_OF_8_BITS | ADDRESS_OF_24_BITS;
	SSI_ENABLE = 1;
	asm volatile("ldr r0, [%0]\n\t"
		     "ldr r1, [%0, #4]\n\t"
		     "msr msp, r0\n\t"
		     "bx r1"
		     :
		     : "l"(FIRST_VECTORS)
		     : "r0", "r1", "memory");
	__builtin_unreachable();
}
