"""What settings change on a board, in sentences, and how to keep them; from measured contrasts only."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from edgereply.comparison.contrasts import AXES, Contrast, Gain
from edgereply.comparison.entries import Entry
from edgereply.comparison.pairs import rounds_needed
from edgereply.comparison.permanent_settings import FINAL, PermanentSetting, permanent_setting, setting_words
from edgereply.config.load import kinds, parse_load
from edgereply.wording.numbers import distinct, duration, listing, per_cent

METHOD = (
    "Each line sets conditions against each other that differ in this alone, round by round: the median of the rounds' "
    "differences, and its 95 % interval. A change is taken as sure only where a sign-flip test, adjusted by Holm over "
    "all {tests} figures here, is below 5 %."
)
NOTHING_VARIED = "No setting of the board was varied alone: vary {axes} in the plan to learn what they change."
VIRTUAL = "VIRTUAL: this says nothing about hardware."
CHANGES = "What each setting changes"
SECTIONS = {"responder": "What the runtime takes beside the kernel", "load": "What each load costs"}
NOTHING = {"responder": "no measurable difference", "load": "no measurable change"}
RUNTIME = "what the floor is quicker by is the runtime's own time; the rest takes a minimal program and the kernel"
ORDER = (
    "Loads stand by what they cost in the median, the costliest first; where intervals overlap, that is not certain."
)
SEVERAL_KINDS = "several kinds at once are not told apart: vary each alone"


@dataclass(frozen=True, slots=True)
class Advice:
    """Everything that can be said after a sweep.

    Attributes:
        contrasts: what was compared.
        sentences: one for each; a line each of "median" and "p99" after its head.
        method: how they were found, and whether they are virtual.
        permanent: how to keep what was gained.
        open: what was not varied and could be.
    """

    contrasts: Sequence[Contrast]
    sentences: Sequence[tuple[str, Sequence[str]]]
    method: Sequence[str]
    permanent: Sequence[PermanentSetting]
    open: Sequence[str]
    final: str = FINAL

    @property
    def sections(self) -> list[tuple[str, list[tuple[str, Sequence[str]]]]]:
        """The sentences under headings; loads beside the same settings by what they cost in the median."""
        beside = list(dict.fromkeys(tuple(item.elsewhere.items()) for item in self.contrasts))
        found: dict[str, list[tuple[tuple[int, int], tuple[str, Sequence[str]]]]] = {}
        for item, sentence in zip(self.contrasts, self.sentences, strict=True):
            gain_ns = item.gains[0].gain_ns if item.gains else 0
            place = (beside.index(tuple(item.elsewhere.items())), gain_ns) if item.axis == "load" else (0, 0)
            found.setdefault(SECTIONS.get(item.axis, CHANGES), []).append((place, sentence))
        return [
            (title, [each[1] for each in sorted(pairs, key=lambda each: each[0])]) for title, pairs in found.items()
        ]

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "contrasts": [item.as_dict() for item in self.contrasts],
            "sentences": [f"{head}: {'; '.join(parts)}." for head, parts in self.sentences],
            "method": list(self.method),
            "keeping": [asdict(item) for item in self.permanent],
            "open": list(self.open),
        }

    def lines(self) -> list[str]:
        """As it is printed."""
        text = [] if self.sentences else [CHANGES]
        for title, sentences in self.sections:
            text.append(title)
            for head, parts in sentences:
                text += [f"  {head}", *(f"    {part}" for part in parts)]
        text += [f"  {line}" for line in self.method]
        for item in self.permanent:
            text += ["", f"To keep {item.setting} ({item.why})", *(f"  {line}" for line in item.lines)]
            text += [f"  Note: {line}" for line in item.cautions]
        return [*text, *(["", *self.open] if self.open else []), *([self.final] if self.permanent else [])]


def advise(found: Sequence[Contrast], entries: Sequence[Entry]) -> Advice:
    """Put contrasts into words.

    Args:
        found: from `contrasts`.
        entries: the conditions, for what else was seen on the board.
    """
    tests = sum(len(item.gains) for item in found)
    sentences = [_sentence(item, tests) for item in found]
    method = [METHOD.format(tests=tests)] if tests else []
    loads = Counter(tuple(item.elsewhere.items()) for item in found if item.axis == "load" and item.gains)
    if max(loads.values(), default=0) > 1:
        method.append(ORDER)
    if any(item.virtual for item in found):
        method.append(VIRTUAL)
    if not found:
        method = [NOTHING_VARIED.format(axes=listing(list(AXES)))]
    return Advice(found, sentences, method, _worth_keeping(found), _open(found, entries))


def _worth_keeping(found: Sequence[Contrast]) -> list[PermanentSetting]:
    """Every setting that was quicker than another in some figure, with what it was slower in."""
    quicker: dict[tuple[str, str], dict[str, None]] = {}
    slower: dict[tuple[str, str], dict[str, None]] = {}
    for item in found:
        if item.axis == "load":
            continue
        sides = (item.axis, item.value), (item.axis, item.base)
        for gain in item.gains:
            if gain.outcome in ("quicker", "slower"):
                better, worse = sides if gain.outcome == "quicker" else sides[::-1]
                quicker.setdefault(better, {})[gain.figure] = None
                slower.setdefault(worse, {})[gain.figure] = None
    kept = []
    for pair, figures in quicker.items():
        kept.append(replace(permanent_setting(*pair), why=_why(list(figures), list(slower.get(pair, {})))))
    return kept


def _why(quicker: Sequence[str], slower: Sequence[str]) -> str:
    """What speaks for a setting and what against; a figure in both is one under some of the other settings each."""
    always, never = (
        [name for name in these if name not in those] for these, those in ((quicker, slower), (slower, quicker))
    )
    both = [name for name in quicker if name in slower]
    parts = [f"quicker in {listing(always)}"] if always else []
    parts += [f"{'but ' if parts else ''}slower in {listing(never)}"] if never else []
    parts += [f"in {listing(both)} quicker or slower, as the other settings are"] if both else []
    return ", ".join(parts) + (": what the deadline is about decides" if slower else "")


def _sentence(item: Contrast, tests: int) -> tuple[str, list[str]]:
    where = ", ".join(f"{name} {value}" for name, value in item.elsewhere.items())
    head = f"{setting_words(item.axis, item.value)} instead of {setting_words(item.axis, item.base)}"
    head += f" ({where})" if where else ""
    if item.why_not:
        return head, [f"nothing is concluded: {item.why_not}"]
    parts = [_gain(gain, tests, NOTHING.get(item.axis, "no measurable change")) for gain in item.gains]
    outcomes = {gain.outcome for gain in item.gains}
    if item.axis == "responder" and item.value == "floor" and "quicker" in outcomes:
        parts.append(RUNTIME)
    if item.axis == "load" and len(kinds(parse_load(item.value))) > 1 and "slower" in outcomes:
        parts.append(SEVERAL_KINDS)
    lost = [f"{number:,} of {stimuli:,}" for number, stimuli in item.unanswered]
    if any(number for number, _ in item.unanswered):
        parts.append(f"without an answer {lost[1]} stimuli instead of {lost[0]}, which no time above has in it")
    return head, parts


def _gain(gain: Gain, tests: int, nothing: str) -> str:
    if gain.low_ns is None or gain.high_ns is None:
        return f"{gain.figure}: {gain.rounds} rounds give no interval, 6 do"
    if gain.outcome == "nothing measurable":
        low, high = distinct(gain.low_ns, gain.high_ns)
        return f"{gain.figure}: {nothing} (from {low} to {high} of {duration(gain.before_ns)})"
    ends = (gain.low_ns, gain.high_ns) if gain.gain_ns > 0 else (-gain.high_ns, -gain.low_ns)
    low, high = distinct(*ends)
    words = f"{gain.figure} {duration(abs(gain.gain_ns))} {'quicker' if gain.gain_ns > 0 else 'slower'}"
    words += f" [{low} to {high}], it was {duration(gain.before_ns)}"
    if gain.outcome == "not yet certain":
        needed = max(rounds_needed(tests, 0.95), gain.rounds + 1)
        words += f", not sure yet: run {needed} rounds to be sure"
    if gain.outcome == "too small to matter":
        words += f": less than {per_cent(gain.matters)}, too small to matter"
    return words


def _open(found: Sequence[Contrast], entries: Sequence[Entry]) -> list[str]:
    """What was not varied, and the processor's clock where it changed."""
    lines = []
    varied = {item.axis for item in found}
    if found and (left := [axis for axis in AXES[1:] if axis not in varied]):
        lines.append(f"Not varied here, so nothing is said about: {listing(left)}.")
    clocks = [entry.context["frequency"] for entry in entries if "frequency" in entry.context]
    low, high = (min((c["min_khz"] for c in clocks), default=0), max((c["max_khz"] for c in clocks), default=0))
    if low < high:
        lines.append(
            f"The processor's clock went from {low / 1000:,.0f} to {high / 1000:,.0f} MHz; its governor was not "
            "varied. To learn what a steady clock changes, write performance into "
            "/sys/devices/system/cpu/cpufreq/policy*/scaling_governor, sweep again and compare the two series. "
            "It costs power and heat."
        )
    return lines
