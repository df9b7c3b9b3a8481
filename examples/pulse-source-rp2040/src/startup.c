/* From the first instruction in flash to main(): everything else lies in RAM, so that no access to the flash chip
 * ever comes between an edge and its handling. */

#include <stddef.h>
#include <stdint.h>

#include "registers.h"

extern uint32_t ram_begin[], ram_end[], ram_image[], zero_begin[], zero_end[], stack_top[];

int main(void);
void systick_handler(void);
void pio0_handler(void);

static void hang(void)
{
	for (;;) /* until the watchdog resets the chip */
		;
}

typedef void (*handler)(void);

#define INITIAL_STACK ((handler)stack_top)
#define FIRST_INTERRUPT 16
#define PIO0_IRQ0 7

__attribute__((section(".flash"), used, noreturn)) static void reset(void);

/* Read once, at the start. */
__attribute__((section(".first_vectors"), used)) static const handler first_vectors[] = {INITIAL_STACK, reset};

__attribute__((section(".vectors"), used)) static const handler vectors[FIRST_INTERRUPT + 26] = {
	INITIAL_STACK, reset, hang, hang,
	[11] = hang,
	[14] = hang,
	[15] = systick_handler,
	[FIRST_INTERRUPT + PIO0_IRQ0] = pio0_handler,
};

static void reset(void)
{
	uint32_t *to = ram_begin;
	const uint32_t *from = ram_image;

	while (to < ram_end)
		*to++ = *from++;
	for (to = zero_begin; to < zero_end; to++)
		*to = 0;
	VECTOR_TABLE = (uintptr_t)vectors;
	main();
	for (;;)
		;
}

/* The compiler calls these for structures. */
void *memcpy(void *to, const void *from, size_t size)
{
	uint8_t *t = to;
	const uint8_t *f = from;

	while (size--)
		*t++ = *f++;
	return to;
}

void *memset(void *at, int value, size_t size)
{
	uint8_t *a = at;

	while (size--)
		*a++ = value;
	return at;
}
