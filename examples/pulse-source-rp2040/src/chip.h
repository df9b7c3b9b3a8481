#ifndef CHIP_H
#define CHIP_H

/* What the modules shared by all chips need from this one. All code and all constants lie in RAM here. */

#include <stdint.h>

#include "unique_id.h"

#define CHIP_MODEL "rp2040"
#define CHIP_SERIAL unique_id()

#define IN_FLASH
#define FLASH_TEXT(text) (text)
#define flash_byte(address) (*(const uint8_t *)(address))
#define flash_word(address) (*(const uint16_t *)(address))
#define flash_pointer(address) (*(address))
#define flash_copy(to, from, size) __builtin_memcpy(to, from, size)

static inline uint32_t chip_irq_off(void)
{
	uint32_t was_off;

	asm volatile("mrs %0, primask\n\tcpsid i" : "=r"(was_off) : : "memory");
	return was_off;
}

static inline void chip_irq_restore(const uint32_t *was_off)
{
	if (!*was_off)
		asm volatile("cpsie i" : : : "memory");
}

/* IRQ_OFF { ... } runs its block with interrupts off and leaves the interrupt mask as it was. */
#define IRQ_OFF                                                                                                 \
	for (uint32_t was_off __attribute__((cleanup(chip_irq_restore))) = chip_irq_off(), once = 1; once; once = 0)

#endif
