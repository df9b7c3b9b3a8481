#ifndef HEADERS_H
#define HEADERS_H

/* Program headers of SCPI-99: long and short forms in any case, optional nodes in brackets. */

#include <stdbool.h>

/* Whether the header, ended by any character that cannot be part of one, is a form of the pattern in flash, for
 * example "SYSTem:ERRor[:NEXT]". On success *end points behind it. */
bool header_matches(const char *pattern_flash, const char *header, const char **end);

/* Whether the header begins with this mnemonic and a colon; on success *header moves behind them. */
bool header_begins(const char *mnemonic_flash, const char **header);

#endif
