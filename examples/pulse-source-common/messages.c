#include "messages.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "commands.h"
#include "control.h"
#include "errors.h"
#include "uart.h"

#define MESSAGE_MOST 128

static char message[MESSAGE_MOST + 1];
static uint8_t length;
static bool skipping; /* what comes up to the next line feed belongs to a message that was damaged */
static char *next;    /* the rest of the complete message being obeyed; NULL while one is being received */

static void forget(void)
{
	length = 0;
	next = NULL;
}

static void overrun(void)
{
	errors_add(INPUT_OVERRUN);
	length = 0;
	skipping = true;
}

static void complete(void)
{
	if (length && message[length - 1] == '\r')
		length--;
	message[length] = '\0';
	next = message;
	length = 0;
}

static void receive(void)
{
	uint8_t byte;

	while (!next && uart_take(&byte)) {
		if (byte == '\n') {
			if (!skipping)
				complete();
			skipping = false;
		} else if (skipping) {
			continue;
		} else if (length == MESSAGE_MOST) {
			overrun();
		} else {
			/* Zero would end the text early; no command holds one. */
			message[length++] = byte ? byte : '?';
		}
	}
}

static void obey_one(void)
{
	char *text = next, *end;

	while (*text == ' ' || *text == '\t')
		text++;
	for (end = text; *end && *end != ';'; end++)
		;
	next = *end ? end + 1 : NULL;
	while (end > text && (end[-1] == ' ' || end[-1] == '\t'))
		end--;
	*end = '\0';
	if (*text)
		command_obey(text);
}

void messages_poll(void)
{
	if (uart_device_cleared()) {
		forget();
		skipping = false;
		control_device_clear();
	}
	if (uart_overrun())
		overrun();
	if (control_held())
		return;
	if (!next)
		receive();
	if (next)
		obey_one();
}
