#ifndef HEADERS_H
#define HEADERS_H

/* Program headers of SCPI-99: long and short forms in any case, optional nodes in brackets. */

#include <stdbool.h>

/* Whether the header, ended by any character that cannot be part of one, is a form of the pattern in flash, for
 * example "[SOURce:]PULSe:PERiod". On success *end points behind it. */
bool header_matches(const char *pattern_flash, const char *header, const char **end);

#endif
