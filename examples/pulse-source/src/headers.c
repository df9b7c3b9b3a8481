#include "headers.h"

#include <avr/pgmspace.h>
#include <ctype.h>

static bool in_mnemonic(char c)
{
	return isalnum(c) || c == '_' || c == '*';
}

/* Takes one mnemonic of the pattern from the header, in its short or its long form. */
static bool take_mnemonic(const char **pattern, const char **header)
{
	const char *p = *pattern, *h = *header;
	char c;

	while ((c = pgm_read_byte(p)) && in_mnemonic(c) && !islower(c)) {
		if (toupper(*h) != c)
			return false;
		p++;
		h++;
	}
	if (in_mnemonic(*h)) {
		while ((c = pgm_read_byte(p)) && islower(c)) {
			if (tolower(*h) != c)
				return false;
			p++;
			h++;
		}
		if (in_mnemonic(*h))
			return false;
	}
	while (islower(pgm_read_byte(p)))
		p++;
	*pattern = p;
	*header = h;
	return true;
}

bool header_matches(const char *pattern, const char *header, const char **end)
{
	for (;;) {
		char c = pgm_read_byte(pattern);

		if (c == '\0') {
			*end = header;
			return *header != ':';
		}
		if (c == '[') {
			const char *behind = pattern;

			while (pgm_read_byte(behind) != ']')
				behind++;
			if (header_matches(behind + 1, header, end))
				return true;
			pattern++;
		} else if (c == ']') {
			pattern++;
		} else if (c == ':') {
			if (*header++ != ':')
				return false;
			pattern++;
		} else if (!take_mnemonic(&pattern, &header)) {
			return false;
		}
	}
}
