"""Options of `edgereply import` as settings, and reading with progress."""

import math
import re
import time
from collections.abc import Sequence

from edgereply.api.option_values import duration_option
from edgereply.cli.common import say
from edgereply.errors import SettingError
from edgereply.exchange.imports.accept import Labels
from edgereply.exchange.imports.waveforms import Settings
from edgereply.wording.numbers import time_left

_FREQUENCY = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(k|m|g)?hz\s*", re.IGNORECASE)
_LEVELS = re.compile(r"(.+)=\s*([+-]?[\d.]+)\s*(?:V)?\s*,\s*([+-]?[\d.]+)\s*(?:V)?\s*", re.IGNORECASE)
_TOLD_S = 2.0


def settings_of(hysteresis: float, glitch: str | None, interval: str | None, levels: Sequence[str]) -> Settings:
    """How edges are found.

    Raises:
        SettingError: an option is out of range.
    """
    if not 0.0 <= hysteresis < 0.5:
        raise SettingError(f"{hysteresis} is not from 0 to below 0.5", where="--hysteresis", remedy="give 0.1")
    return Settings(
        band=hysteresis,
        glitch_ns=0 if glitch is None else duration_option(glitch, "--glitch"),
        interval_ns=None if interval is None else interval_option(interval, "--interval"),
        levels=dict(_levels_option(text) for text in levels),
    )


def labels_of(
    board: str, virtual: bool | None, clock_ppm: float | None, deadline: str | None, instrument: str
) -> Labels:
    """What the person says about the recording.

    Raises:
        SettingError: an option is out of range.
    """
    if clock_ppm is not None and not 0.0 <= clock_ppm <= 100_000.0:
        raise SettingError(f"{clock_ppm} is not from 0 to 100000", where="--clock-ppm", remedy="give 50, say")
    if not board.strip() or len(board) > 200 or len(instrument) > 200:
        raise SettingError(
            "a name is empty or longer than 200 characters", where="--board, --instrument", remedy="give a short name"
        )
    deadline_ns = None if deadline is None else duration_option(deadline, "--deadline")
    return Labels(board=board, virtual=virtual, clock_ppm=clock_ppm, deadline_ns=deadline_ns, instrument=instrument)


def positive_option(text: str | None, option: str) -> int | None:
    """Nanoseconds above zero, or None.

    Raises:
        SettingError: not a time above zero.
    """
    if text is None:
        return None
    value = duration_option(text, option)
    if value <= 0:
        raise SettingError(f"{text!r} is not above zero", where=option, remedy="give a time such as 2ms")
    return value


def interval_option(text: str, option: str) -> float:
    """Nanoseconds between samples, written as a time or as a rate in Hz.

    Raises:
        SettingError: neither.
    """
    match = _FREQUENCY.fullmatch(text)
    if match is None:
        return float(positive_option(text, option) or 0)
    rate = float(match[1]) * {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}[(match[2] or "").lower()]
    if rate <= 0:
        raise SettingError(f"{text!r} is not above zero", where=option, remedy="give a rate such as 24MHz")
    return 1e9 / rate


def _levels_option(text: str) -> tuple[str, tuple[float, float]]:
    match = _LEVELS.fullmatch(text)
    try:
        low, high = (float(match[2]), float(match[3])) if match else (math.nan, math.nan)
    except ValueError:
        low = high = math.nan
    if match is None or not low < high:
        raise SettingError(
            f"{text!r} is not a channel with a low and a higher level", where="--levels", remedy="write CH1=0,3.3"
        )
    return match[1].strip(), (low, high)


class ReadingProgress:
    """Says how far reading is and how long it still takes, a line every few seconds."""

    def __init__(self) -> None:
        self._began = self._told = time.monotonic()

    def __call__(self, done: int, whole: int) -> None:
        """Bytes done and to do."""
        now = time.monotonic()
        if now - self._told < _TOLD_S or not done:
            return
        self._told = now
        left = (now - self._began) * (whole - done) / done
        say(f"read {100 * done // max(1, whole)} %, {time_left(left)} left")
