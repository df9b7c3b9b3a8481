#ifndef LETTERS_H
#define LETTERS_H

/* ASCII without the library's calls: headers are compared character by character against a whole table. */

#include <stdbool.h>

static inline bool is_lower(char c)
{
	return c >= 'a' && c <= 'z';
}

static inline bool is_digit(char c)
{
	return c >= '0' && c <= '9';
}

static inline char upper(char c)
{
	return is_lower(c) ? c - ('a' - 'A') : c;
}

static inline bool is_letter(char c)
{
	c = upper(c);
	return c >= 'A' && c <= 'Z';
}

static inline bool in_mnemonic(char c)
{
	return is_letter(c) || is_digit(c) || c == '_' || c == '*';
}

#endif
