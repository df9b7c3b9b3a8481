#ifndef UNIQUE_ID_H
#define UNIQUE_ID_H

/* The chip itself has no number of its own; its flash chip has one, which every board's is different in. */

/* Reads it; once, at the start, while nothing is read from flash. */
void unique_id_init(void);

/* 16 hexadecimal digits, or the serial number that the firmware was built with. */
const char *unique_id(void);

#endif
