"""Times and shares as people give them, on the command line and in programs."""

from edgereply.errors import SettingError
from edgereply.wording.units import parse_duration_ns


def duration_option(text: str, option: str) -> int:
    """Nanoseconds of an option such as ``2ms``.

    Raises:
        SettingError: not a time.
    """
    try:
        return parse_duration_ns(text)
    except ValueError as error:
        raise SettingError(str(error), where=option, remedy="give a time such as 2ms") from error


def share_option(text: str | None, where: str) -> float | None:
    """Read a share, such as 0.01, 1e-5 or 1%; None where the option was not given.

    Raises:
        SettingError: it is none; what is out of range is for those who know the range.
    """
    if text is None:
        return None
    number, percent = text.strip().removesuffix("%"), text.strip().endswith("%")
    try:
        return float(number) / (100.0 if percent else 1.0)
    except ValueError as error:
        raise SettingError(f"{text!r} is not a share", where=where, remedy="write it like 0.01, 1e-5 or 1%") from error


def margin_option(text: str, where: str) -> float:
    """Read the smallest change that counts, such as 5% or 0.05.

    Raises:
        SettingError: no share, or not from 0 to below 100 %.
    """
    found = share_option(text, where)
    if found is None or not 0.0 <= found < 1.0:
        raise SettingError(f"{text!r} is not within 0 to 100 %", where=where, remedy="write it like 5%")
    return found


def duration_value(value: str | int | None, where: str) -> int | None:
    """A time given in a program: a text as on the command line, or nanoseconds; None stays None.

    Raises:
        SettingError: not a time.
    """
    if isinstance(value, str):
        return duration_option(value, where)
    if value is not None and (not isinstance(value, int) or isinstance(value, bool) or value <= 0):
        raise SettingError(f"{value!r} is not a time", where=where, remedy="give a text such as '2ms', or nanoseconds")
    return value


def share_value(value: str | float | None, where: str) -> float | None:
    """A share given in a program: a text as on the command line, or a number; None stays None.

    Raises:
        SettingError: not a share.
    """
    return share_option(value, where) if isinstance(value, str) else value
