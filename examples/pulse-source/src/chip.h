#ifndef CHIP_H
#define CHIP_H

/* What the modules shared by all chips need from this one: constants in flash, a section without interrupts, a name. */

#include <avr/pgmspace.h>
#include <util/atomic.h>

#define CHIP_MODEL "atmega328p"
#define CHIP_SERIAL PSTR(SERIAL)

#define IN_FLASH PROGMEM
#define FLASH_TEXT(text) PSTR(text)
#define flash_byte(address) pgm_read_byte(address)
#define flash_word(address) pgm_read_word(address)
#define flash_pointer(address) pgm_read_ptr(address)
#define flash_copy(to, from, size) memcpy_P(to, from, size)

/* IRQ_OFF { ... } runs its block with interrupts off and leaves the interrupt flag as it was. */
#define IRQ_OFF ATOMIC_BLOCK(ATOMIC_RESTORESTATE)

#endif
