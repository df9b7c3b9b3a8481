"""A check for the CI of a board's image: is a run worse than its baseline by more than it may be?"""

import math
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.statistics.degradation import Degradation, check_degradation
from edgereply.comparison.entries import LOST_NS, Entry
from edgereply.errors import DataError, SettingError
from edgereply.wording.numbers import NOTHING, duration
from edgereply.wording.units import parse_duration_ns

_WORDS = re.compile(
    r"\s*(median|p(?:\d{1,2}(?:\.\d+)?))\s*\+\s*(\d+(?:\.\d+)?\s*%|[\d.]+\s*[a-zµμ]+)\s*", re.IGNORECASE
)


GREEN: Final = "not shown to be worse"


@dataclass(frozen=True, slots=True)
class Rule:
    """A quantile and how much slower it may be: by a part of the baseline's, or by nanoseconds."""

    text: str
    p: float
    margin_ratio: float
    margin_ns: int


@dataclass(frozen=True, slots=True)
class BaselineCheck:
    """One rule held against one run.

    Attributes:
        left_out: answers that cannot be told and would make the run worse, were they slow; 0 where they would not.
    """

    run: str
    rule: Rule
    found: Degradation
    left_out: int = 0

    @property
    def failed(self) -> bool:
        """Worse, or not to be told: a check that could not see anything must not be green."""
        return self.found.outcome != GREEN

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready; a ratio that lost answers make infinite is null."""
        fields = asdict(self.found)
        for name in ("low_ratio", "high_ratio"):
            if fields[name] is not None and not math.isfinite(fields[name]):
                fields[name] = None
        for name in ("base_ns", "new_ns", "limit_ns"):
            fields[name] = None if fields[name] >= LOST_NS else fields[name]
        return {"run": self.run, "rule": self.rule.text, **fields, "left_out": self.left_out}


def parse_rule(text: str) -> Rule:
    """Read "p99.9 +10%", "median + 5 %" or "p99 +50us".

    Raises:
        SettingError: anything else.
    """
    wrong = SettingError(
        f"{text!r} is not a rule", where="--fail-if", remedy="write it like 'p99.9 +10%' or 'median +50us'"
    )
    match = _WORDS.fullmatch(text)
    if match is None:
        raise wrong
    p = 0.5 if match[1].lower() == "median" else float(match[1][1:]) / 100.0
    if not 0.0 < p < 1.0:
        raise wrong
    if match[2].endswith("%"):
        return Rule(text, p, float(match[2][:-1].strip()) / 100.0, 0)
    try:
        return Rule(text, p, 0.0, parse_duration_ns(match[2]))
    except ValueError as error:
        raise wrong from error


def check_runs(
    base: Entry, runs: Sequence[Entry], rules: Sequence[Rule], confidence: float = 0.95
) -> list[BaselineCheck]:
    """Hold every rule against every run.

    Args:
        base: what the runs are compared with.
        runs: one or more.
        rules: one or more.
        confidence: 1 - the chance that any of the checks is "worse" though none is; it is shared out among them.

    Raises:
        SettingError: the confidence is out of range, or a run does not measure the same thing as the baseline.
        DataError: one of them has no stimulus whose answer can be told.
    """
    if not 0.5 <= confidence < 1.0:
        raise SettingError(f"{confidence} is not within 0.5 to 1", where="--confidence", remedy="give 0.95")
    for entry in (base, *runs):
        if not entry.outcomes_ns.size:
            raise DataError("there is nothing to compare: no stimulus", where=entry.name, remedy="measure again")
        if entry.measurand != base.measurand or "mixed" in entry.measurand:
            raise SettingError(
                f"its times are {entry.measurand}, the baseline's are {base.measurand}: they are not the same thing",
                where=entry.name,
                remedy="measure both by the same grade of evidence, both virtual or neither",
            )
    each = 1.0 - (1.0 - confidence) / (len(runs) * len(rules))
    return [_held(base, run, rule, each) for run in runs for rule in rules]


def _held(base: Entry, run: Entry, rule: Rule, confidence: float) -> BaselineCheck:
    """Green only where it stays green with every answer that cannot be told taken for one that never came."""

    def found(outcomes_ns: Int64s) -> Degradation:
        return check_degradation(
            base.outcomes_ns, outcomes_ns, rule.p, margin_ratio=rule.margin_ratio, margin_ns=rule.margin_ns,
            lost_ns=LOST_NS, confidence=confidence,
        )  # fmt: skip

    told, left_out = found(run.outcomes_ns), run.left_out
    if told.outcome != GREEN or not left_out:
        return BaselineCheck(run.name, rule, told)
    if found(np.append(run.outcomes_ns, np.full(left_out, LOST_NS))).outcome == GREEN:
        return BaselineCheck(run.name, rule, told)
    return BaselineCheck(run.name, rule, replace(told, outcome="not enough data"), left_out)


def sentences(checks: Sequence[BaselineCheck], confidence: float) -> list[str]:
    """The outcome in plain words, a line a check, and what may be relied on."""
    lines = [_sentence(check) for check in checks]
    return [
        *lines,
        f"A run that is no slower than its limit fails in at most {1.0 - confidence:.1%} of cases, over all checks of "
        "this command. Stimuli without an answer count as slower than any answer. What differs between two sittings of "
        "the same board is not in the intervals: let the margin allow for it.",
    ]


def _sentence(check: BaselineCheck) -> str:
    found, quantile = check.found, check.rule.text.partition("+")[0].strip()
    new, base, limit = (_time(value) for value in (found.new_ns, found.base_ns, found.limit_ns))
    head = f"{check.run}: {quantile} {new}, baseline {base}, limit {limit} ({check.rule.text})"
    if check.left_out:
        return (
            f"NOT ENOUGH DATA  {head}: {check.left_out:,} answers of {check.run} cannot be told; were they all "
            "slow, it would be worse."
        )
    if found.outcome == "not enough data":
        return f"NOT ENOUGH DATA  {head}: {_lacking(found)}."
    low, high = (_percent(ratio) for ratio in (found.low_ratio, found.high_ratio))
    said = "WORSE" if found.outcome == "worse" else "OK, not shown to be worse"
    return f"{said}  {head}: changed by {low} to {high}, p = {found.p_value:.2g}."


def _lacking(found: Degradation) -> str:
    side = 0 if found.worth[0] < found.worth[1] else 1
    who, size, worth = ("the baseline", "the run")[side], found.sizes[side], found.worth[side]
    needs = f"each side needs {found.needed:,} independent answers"
    if worth <= 0.0:
        return f"{needs}; {who}'s {size:,} hang together over so long stretches that it needs to be far longer"
    if worth >= size:
        return f"{needs}, {who} has {size:,}"
    takes = math.ceil(found.needed * size / worth)
    return f"{needs}; {who}'s {size:,} cluster and are worth {worth:,.0f}, about {takes:,} like these would do"


def _time(value_ns: int) -> str:
    return "never" if value_ns >= LOST_NS else duration(value_ns)


def _percent(ratio: float | None) -> str:
    if ratio is None:
        return NOTHING
    return f"{100.0 * (ratio - 1.0):+.1f} %".replace("-", "−") if math.isfinite(ratio) else "lost answers"
