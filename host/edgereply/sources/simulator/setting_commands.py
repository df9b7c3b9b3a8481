"""The commands of a pulse source that set the stimulus and its output."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from edgereply.sources.base import Pattern
from edgereply.sources.simulator.grammar import CommandError, CommandRow, duration, integer, keyword, spellings
from edgereply.sources.simulator.stimulus import SHORTEST_GAP_NS, SimulatedStimulus

_PATTERNS = {
    **dict.fromkeys(spellings("PERiodic"), "periodic"),
    **dict.fromkeys(spellings("UNIForm"), "uniform"),
    **dict.fromkeys(spellings("EXPonential"), "exponential"),
    **dict.fromkeys(spellings("PAIRs"), "pairs"),
}
_PATTERN_ANSWER = {"periodic": "PER", "uniform": "UNIF", "exponential": "EXP", "pairs": "PAIR"}
_POLARITIES = {**dict.fromkeys(spellings("NORMal"), ""), **dict.fromkeys(spellings("INVerted"), "inverted")}
_SWITCH = {"ON": "1", "1": "1", "OFF": "0", "0": "0"}
_TIMES = {
    "period": "[SOURce:]PULSe:PERiod",
    "width": "[SOURce:]PULSe:WIDTh",
    "floor": "[SOURce:]PULSe:ARRival:FLOor",
    "spread": "[SOURce:]PULSe:ARRival:SPRead",
    "shortest_gap": "[SOURce:]PULSe:ARRival:GAP:SHORtest",
    "longest_gap": "[SOURce:]PULSe:ARRival:GAP:LONGest",
}


class StimulusSettings:
    """Holds the settings that the next run will use.

    Args:
        tick_hz: ticks a second.
    """

    def __init__(self, tick_hz: int) -> None:
        self._tick_hz = tick_hz
        self.reset()

    def reset(self) -> None:
        """Go back to the settings after `*RST`."""
        self._stimulus = SimulatedStimulus.default(self._tick_hz)
        self._output_on = False

    def checked(self) -> SimulatedStimulus:
        """Returns: the settings, fit for a run.

        Raises:
            CommandError: -221 the output is off, or they do not go together.
        """
        if not self._output_on:
            raise CommandError(-221)
        self._stimulus.check()
        return self._stimulus

    def rows(self) -> list[CommandRow]:
        """Returns: the commands."""
        number = self._number
        rows: list[CommandRow] = [
            ("[SOURce:]PULSe:COUNt", lambda text: number("count", text), 1),
            ("[SOURce:]PULSe:COUNt?", lambda: str(self._stimulus.count), 0),
            ("[SOURce:]PULSe:POLarity", self._polarity, 1),
            ("[SOURce:]PULSe:POLarity?", lambda: "INV" if self._stimulus.inverted else "NORM", 0),
            ("[SOURce:]PULSe:ARRival", self._arrival, 1),
            ("[SOURce:]PULSe:ARRival?", lambda: _PATTERN_ANSWER[self._stimulus.pattern], 0),
            ("[SOURce:]PULSe:ARRival:SEED", lambda text: number("seed", text), 1),
            ("[SOURce:]PULSe:ARRival:SEED?", lambda: str(self._stimulus.seed), 0),
            ("[SOURce:]PULSe:ARRival:GAP:LIMit?", lambda: f"{SHORTEST_GAP_NS / 1e9:.11E}", 0),
            ("OUTPut[:STATe]", self._output, 1),
            ("OUTPut[:STATe]?", lambda: str(int(self._output_on)), 0),
        ]
        for name, header in _TIMES.items():
            rows.append((header, lambda text, name=name: self._time(name, text), 1))
            rows.append((f"{header}?", lambda name=name: self._stimulus.seconds(name), 0))
        return rows

    def _time(self, name: str, text: str) -> None:
        self._stimulus = self._stimulus.with_time(name, duration(text))

    def _number(self, name: str, text: str) -> None:
        self._stimulus = self._stimulus.with_number(name, integer(text))

    def _polarity(self, text: str) -> None:
        self._stimulus = replace(self._stimulus, inverted=bool(keyword(text, _POLARITIES)))

    def _arrival(self, text: str) -> None:
        self._stimulus = replace(self._stimulus, pattern=cast(Pattern, keyword(text, _PATTERNS)))

    def _output(self, text: str) -> None:
        self._output_on = keyword(text, _SWITCH) == "1"
