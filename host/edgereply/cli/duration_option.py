"""A time given on the command line."""

from edgereply.errors import SettingError
from edgereply.units import parse_duration_ns


def duration_option(text: str, option: str) -> int:
    """Nanoseconds of an option such as ``2ms``.

    Raises:
        SettingError: not a time.
    """
    try:
        return parse_duration_ns(text)
    except ValueError as error:
        raise SettingError(str(error), where=option, remedy="give a time such as 2ms") from error
