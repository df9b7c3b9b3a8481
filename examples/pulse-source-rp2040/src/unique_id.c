#include "unique_id.h"

#include <stdint.h>

#include "registers.h"

#define READ_UNIQUE_ID 0x4b
#define DUMMY_BYTES 4
#define ID_BYTES 8

#define FRAMES_OF_8_BITS (7u << 16)

static char digits[2 * ID_BYTES + 1];

static uint8_t exchange(uint8_t byte)
{
	SSI_DATA = byte;
	while (!(SSI_STATUS & SSI_RX_NOT_EMPTY))
		;
	return SSI_DATA;
}

/* The flash chip is spoken to byte by byte. Memory-mapped reading is over with that, and everything runs from RAM. */
void unique_id_init(void)
{
	SSI_ENABLE = 0;
	SSI_CTRLR0 = FRAMES_OF_8_BITS; /* plain SPI, sending and receiving */
	SSI_ENABLE = 1;
	QSPI_SELECT_CTRL = QSPI_SELECT_LOW;
	exchange(READ_UNIQUE_ID);
	for (uint8_t i = 0; i < DUMMY_BYTES; i++)
		exchange(0);
	for (uint8_t i = 0; i < ID_BYTES; i++) {
		uint8_t byte = exchange(0);

		digits[2 * i] = "0123456789ABCDEF"[byte >> 4];
		digits[2 * i + 1] = "0123456789ABCDEF"[byte & 15];
	}
	QSPI_SELECT_CTRL = QSPI_SELECT_HIGH;
}

const char *unique_id(void)
{
	return SERIAL[0] ? SERIAL : digits;
}
