#include "headers.h"

#include <stdint.h>

#include "chip.h"
#include "letters.h"

/* Takes one mnemonic of the pattern from the header, in its short or its long form. */
static bool take_mnemonic(const char **pattern, const char **header)
{
	const char *p = *pattern, *h = *header;
	char c = flash_byte(p);

	do {
		if (upper(*h) != c)
			return false;
		h++;
		c = flash_byte(++p);
	} while (in_mnemonic(c) && !is_lower(c));
	if (in_mnemonic(*h)) {
		while (is_lower(c)) {
			if (upper(*h) != upper(c))
				return false;
			h++;
			c = flash_byte(++p);
		}
		if (in_mnemonic(*h))
			return false;
	}
	while (is_lower(flash_byte(p)))
		p++;
	*pattern = p;
	*header = h;
	return true;
}

bool header_matches(const char *pattern, const char *header, const char **end)
{
	for (;;) {
		char c = flash_byte(pattern);

		if (c == '\0') {
			*end = header;
			return *header != ':';
		}
		if (c == '[') {
			const char *behind = pattern;

			while (flash_byte(behind) != ']')
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

bool header_begins(const char *mnemonic, const char **header)
{
	const char *h = *header;

	if (!take_mnemonic(&mnemonic, &h) || *h != ':')
		return false;
	*header = h + 1;
	return true;
}
