"""What one setting changes on a board: conditions of a sweep that differ in exactly one respect, round by round."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise, product
from pathlib import Path
from typing import Any

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.quantiles import quantiles
from edgereply.analysis.statistics.block_differences import BlockDifference, compare_blocks
from edgereply.analysis.statistics.intervals import count_needed
from edgereply.analysis.statistics.multiple_tests import holm
from edgereply.comparison.entries import Entry
from edgereply.config.load import load_words
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import RunRecord

AXES = ("route", "wait", "fifo_priority", "cpus", "hold_cpu_latency", "responder", "load")
LEFT_ALONE = {"fifo_priority": "none", "cpus": "any", "hold_cpu_latency": "no", "responder": "agent", "load": "none"}
FIGURES = {"median": 0.5, "p99": 0.99}
ALPHA = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """What a setting changes in one figure of the reaction time; positive is quicker.

    Attributes:
        figure: "median" or "p99".
        before_ns: the figure without the setting, median of the rounds.
        gain_ns: median over rounds.
        low_ns, high_ns: 95 % interval; None where there are fewer than 6 rounds.
        p_adjusted: sign-flip test, adjusted by Holm over every figure of every contrast of the sweep.
        rounds: in which both were measured.
        matters: the smallest change that counts, a part of the figure.
    """

    figure: str
    before_ns: int
    gain_ns: int
    low_ns: int | None
    high_ns: int | None
    p_adjusted: float
    rounds: int
    matters: float = 0.0

    @property
    def outcome(self) -> str:
        """In a few words: "too few rounds", "nothing measurable", "not yet certain", "too small to matter", "quicker",
        or "slower"."""
        if self.low_ns is None or self.high_ns is None:
            return "too few rounds"
        if self.low_ns <= 0 <= self.high_ns:
            return "nothing measurable"
        if self.p_adjusted >= ALPHA:
            return "not yet certain"
        if max(-self.low_ns, self.high_ns) < self.matters * self.before_ns:
            return "too small to matter"
        return "quicker" if self.gain_ns > 0 else "slower"


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """Two conditions that differ in one setting only.

    Attributes:
        axis: the setting.
        base, value: its values without and with it.
        elsewhere: all other settings of the sweep, the same for both.
        conditions: names of the two.
        gains: a figure each; empty where nothing may be concluded.
        unanswered: stimuli without an answer of their own, and stimuli, without and with it.
        why_not: why nothing may be concluded; "" where it may.
        virtual: whether any of it is.
    """

    axis: str
    base: str
    value: str
    elsewhere: Mapping[str, str]
    conditions: tuple[str, str]
    gains: tuple[Gain, ...]
    unanswered: tuple[tuple[int, int], tuple[int, int]]
    why_not: str
    virtual: bool

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        gains = [asdict(gain) | {"outcome": gain.outcome} for gain in self.gains]
        return asdict(self) | {"gains": gains, "elsewhere": dict(self.elsewhere)}


def contrasts(
    entries: Sequence[Entry],
    settings: Mapping[str, Mapping[str, str]],
    read: Callable[[str], RunRecord] = lambda place: RunReader(Path(place)).record,
    matters: float = 0.0,
) -> list[Contrast]:
    """Every pair of conditions that differ in one setting of `AXES` only: left alone and set, or one after the other.

    Args:
        entries: the conditions of one series.
        settings: by condition, as the series records them.
        read: gives the record of a run directory.
        matters: the smallest change that counts, a part of the figure; 0 counts any.

    Raises:
        DataError: a run cannot be read.
    """
    by_name = {entry.name: entry for entry in entries}
    names = [name for name in settings if name in by_name]
    found: list[Contrast] = []
    untested: list[list[BlockDifference]] = []
    for axis in AXES:
        values = list(dict.fromkeys(settings[name][axis] for name in names if axis in settings[name]))
        for first, second in product(names, names):
            if not _pair(axis, values, settings[first], settings[second]):
                continue
            one, other = by_name[first], by_name[second]
            why_not = _why_not(axis, one, other, settings[first][axis], settings[second][axis], read)
            untested.append([] if why_not else _differences(one, other))
            rest = {name: value for name, value in settings[first].items() if name != axis}
            found.append(
                Contrast(
                    axis=axis, base=settings[first][axis], value=settings[second][axis], elsewhere=rest,
                    conditions=(first, second), gains=(), unanswered=(_unanswered(one), _unanswered(other)),
                    why_not=why_not, virtual=one.virtual or other.virtual,
                )
            )  # fmt: skip
    adjusted = iter(holm([item.p_value for items in untested for item in items]))
    return [_with_gains(item, differences, [next(adjusted) for _ in differences], by_name, matters)
            for item, differences in zip(found, untested, strict=True)]  # fmt: skip


def _pair(axis: str, values: Sequence[str], first: Mapping[str, str], second: Mapping[str, str]) -> bool:
    """Whether two conditions are a contrast in this axis."""
    if axis not in first or any(first[name] != second.get(name) for name in first if name != axis):
        return False
    base = LEFT_ALONE.get(axis)
    if base in values:
        return first[axis] == base != second[axis]
    return (first[axis], second[axis]) in list(pairwise(values))


def _differences(one: Entry, other: Entry) -> list[BlockDifference]:
    """Of every figure that each block supports; named by the figure."""
    common = sorted(set(one.rounds) & set(other.rounds))
    found = []
    for figure, p in FIGURES.items():
        columns = {name: _figure(entry, common, p) for name, entry in ((figure, one), ("set", other))}
        if all(column is not None for column in columns.values()) and common:
            found += compare_blocks({name: column for name, column in columns.items() if column is not None})
    return found


def _figure(entry: Entry, rounds: Sequence[int], p: float) -> Int64s | None:
    """One quantile a round; None where a block has too few answers for it."""
    by_round = dict(zip(entry.rounds, entry.blocks, strict=True))
    if any(by_round[number].size < count_needed(p) for number in rounds):
        return None
    return np.array([quantiles(by_round[number], [p])[0] for number in rounds], np.int64)


def _with_gains(
    contrast: Contrast, differences: Sequence[BlockDifference], p_adjusted: Sequence[float],
    by_name: Mapping[str, Entry], matters: float,
) -> Contrast:  # fmt: skip
    if contrast.why_not:
        return contrast
    one, other = (by_name[name] for name in contrast.conditions)
    common = sorted(set(one.rounds) & set(other.rounds))
    gains = []
    for item, p in zip(differences, p_adjusted, strict=True):
        before = _figure(one, common, FIGURES[item.first])
        assert before is not None
        gains.append(
            Gain(
                figure=item.first, before_ns=int(np.median(before)), gain_ns=-item.median_ns,
                low_ns=None if item.high_ns is None else -item.high_ns,
                high_ns=None if item.low_ns is None else -item.low_ns, p_adjusted=p, rounds=item.rounds,
                matters=matters,
            )
        )  # fmt: skip
    why_not = "" if gains else _too_little(one, other, common)
    return replace(contrast, gains=tuple(gains), why_not=why_not)


def _too_little(one: Entry, other: Entry, common: Sequence[int]) -> str:
    if not common:
        return "no round has both of them"
    least = min(
        (dict(zip(entry.rounds, entry.blocks, strict=True))[number].size, entry.name, number)
        for entry in (one, other)
        for number in common
    )
    needed = count_needed(min(FIGURES.values()))
    return f"{least[1]} has {least[0]} clear answers in round {least[2]}, and a median takes {needed}"


def _why_not(axis: str, one: Entry, other: Entry, base: str, value: str, read: Callable[[str], RunRecord]) -> str:
    if not one.places or not other.places:
        return "one of the two was not measured"
    if one.measurand != other.measurand:
        return f"the two do not measure the same thing ({one.measurand}, {other.measurand})"
    for entry, wanted in ((one, base), (other, value)):
        for place in entry.places:
            record = read(place)
            if (had := had_effect(record, axis)) != wanted:
                words = next((word for word in record.warnings if axis.split("_")[0] in word.lower()), "")
                return f"{axis} {wanted} did not take effect, it was {had}{f' ({words})' if words else ''}"
    return ""


def had_effect(record: RunRecord, axis: str) -> str:
    """What a setting of `AXES` was in a run, in the words of a series' conditions."""
    realtime = record.in_effect.get("realtime") or {}
    if axis == "fifo_priority":
        return str(realtime.get(axis) or "none")
    if axis == "cpus":
        return "+".join(map(str, realtime.get(axis) or ())) or "any"
    if axis == "hold_cpu_latency":
        return "yes" if realtime.get(axis) else "no"
    if axis == "load":
        return load_words(record.in_effect.get("load"))
    if axis == "responder":
        return str(record.in_effect.get("responder", "agent"))
    return str(record.in_effect.get(axis))


def _unanswered(entry: Entry) -> tuple[int, int]:
    return entry.counts["missed"] + entry.counts["coalesced"], entry.counts["stimuli"]
