#ifndef COMMANDS_H
#define COMMANDS_H

/* The table of commands: header, when it may come, and the function that obeys it. */

#include <stdbool.h>
#include <stdint.h>

enum command_flags {
	SETS = 1,           /* the header without a question mark is a command */
	ASKS = 2,           /* the header with a question mark is a query */
	TAKES = 4,          /* the command needs a parameter */
	DURING_RUN = 8,     /* allowed while a run is in progress, unless READ? streams or *OPC? waits */
	ALWAYS = 16,        /* allowed at any time */
	UNDER_SOURCE = 32,  /* SOURce: may come before the header */
	UNDER_SENSE = 64,   /* SENSe: may */
};

struct call {
	bool query;
	uint8_t which;         /* tells apart the headers that share a function */
	const char *parameter; /* without spaces around it; "" for a query */
};

/* Obeys one command or query, without its separator: queues the error when it cannot. */
void command_obey(char *text);

#endif
