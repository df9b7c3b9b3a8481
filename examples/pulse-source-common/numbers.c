#include "numbers.h"

#include <stddef.h>

#include "letters.h"
#include "ticks.h"
#include "uart.h"

#define DIGITS_KEPT 12 /* 10^12 times the digits of the tick rate still fits 64 bits */

struct decimal {
	uint64_t digits;
	int16_t exponent; /* the value is digits * 10^exponent */
	bool negative;
};

static const char *skip_spaces(const char *text)
{
	while (*text == ' ' || *text == '\t')
		text++;
	return text;
}

static const char *read_exponent(const char *text, int16_t *exponent)
{
	const char *p = text + 1;
	bool negative = *p == '-';
	int16_t value = 0;

	if (*p == '-' || *p == '+')
		p++;
	if (!is_digit(*p))
		return text; /* no exponent after all; what follows must be a suffix */
	for (; is_digit(*p); p++)
		if (value < 1000)
			value = value * 10 + (*p - '0');
	*exponent += negative ? -value : value;
	return p;
}

/* Returns what follows the number, or NULL if there is none. */
static const char *read_decimal(const char *text, struct decimal *number)
{
	bool any = false, point = false;
	uint8_t kept = 0;

	number->digits = 0;
	number->exponent = 0;
	number->negative = *text == '-';
	if (*text == '-' || *text == '+')
		text++;
	for (; is_digit(*text) || (*text == '.' && !point); text++) {
		if (*text == '.') {
			point = true;
			continue;
		}
		any = true;
		if (kept < DIGITS_KEPT) {
			number->digits = number->digits * 10 + (*text - '0');
			kept += number->digits != 0;
			number->exponent -= point;
		} else {
			number->exponent += !point;
		}
	}
	if (!any)
		return NULL;
	if (upper(*text) == 'E')
		text = read_exponent(text, &number->exponent);
	return skip_spaces(text);
}

/* digits * unit * 10^exponent, rounded to nearest; all ones when it is too big. */
static uint64_t scaled(const struct decimal *number, uint32_t unit)
{
	uint64_t value = number->digits * unit;
	uint64_t divisor = 1, quotient, rest;
	int16_t exponent = number->exponent;

	if (value == 0 || exponent < -19)
		return 0;
	for (; exponent > 0; exponent--) {
		if (value > UINT64_MAX / 10)
			return UINT64_MAX;
		value *= 10;
	}
	if (exponent == 0)
		return value;
	for (; exponent < 0; exponent++)
		divisor *= 10;
	quotient = value / divisor;
	rest = value - quotient * divisor;
	return quotient + (rest >= divisor - rest);
}

static enum number_result fit(const struct decimal *number, uint32_t unit, uint32_t *result)
{
	uint64_t value = scaled(number, unit);

	if ((number->negative && value) || value > UINT32_MAX)
		return NUMBER_TOO_BIG;
	*result = value;
	return NUMBER_OK;
}

enum number_result number_integer(const char *text, uint32_t *value)
{
	struct decimal number;
	const char *rest = read_decimal(text, &number);

	if (!rest || *rest)
		return NUMBER_NOT_ONE;
	return fit(&number, 1, value);
}

enum number_result number_ticks(const char *text, uint32_t *ticks)
{
	static const char scale[] = "MUN"; /* each a thousandth of the one before it */
	struct decimal number;
	const char *rest = read_decimal(text, &number);
	int8_t thousandths = 0;

	if (!rest)
		return NUMBER_NOT_ONE;
	for (uint8_t i = 0; *rest && scale[i]; i++) {
		if (upper(*rest) == scale[i]) {
			thousandths = i + 1;
			rest++;
			if (!*rest)
				return NUMBER_NOT_ONE; /* "M" alone is no unit of time */
			break;
		}
	}
	if (upper(*rest) == 'S')
		rest++;
	if (*rest)
		return NUMBER_NOT_ONE;
	number.exponent += TICK_RATE_EXPONENT - 3 * thousandths;
	return fit(&number, TICK_RATE_DIGITS, ticks);
}

void number_send_integer(uint32_t value)
{
	char text[11];
	char *first = text + sizeof(text) - 1;

	*first = '\0';
	do {
		*--first = '0' + value % 10;
		value /= 10;
	} while (value);
	uart_text(first);
}

void number_send_signed(int16_t value)
{
	if (value < 0)
		uart_put('-');
	number_send_integer(value < 0 ? -(int32_t)value : value);
}

void number_send_seconds(uint32_t ticks)
{
	uint64_t value = (uint64_t)ticks * TICK_DIGITS;
	char digits[20];
	uint8_t count = 0, last = 0;

	do {
		digits[count++] = '0' + value % 10;
		value /= 10;
	} while (value);
	while (last < count - 1 && digits[last] == '0')
		last++;
	uart_put(digits[count - 1]);
	uart_put('.');
	if (last == count - 1)
		uart_put('0');
	for (uint8_t i = count - 1; i > last; i--)
		uart_put(digits[i - 1]);
	uart_put('E');
	number_send_signed(ticks ? (int16_t)count - 1 - TICK_PLACES : 0);
}
