"""Who held up late answers, in plain sentences with numbers, and what to try against it, with its risk."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

from edgereply.analysis.lateness.attribution import Owner
from edgereply.analysis.lateness.culprits import Culprit
from edgereply.evaluation.hold_ups import HeldAnswer, HoldUps
from edgereply.wording.numbers import clean, duration

MOST_NAMED: Final = 6

_OURS: Final = {
    "session": "edgereply's own session", "recorder": "edgereply's own recording", "keeper": "edgereply's own keeper",
    "observer": "edgereply's own observer",
}  # fmt: skip
# What to try for each kind, and what it may cost.
_TO_TRY: Final = {
    "interrupt": "let another CPU take interrupt {number}: echo CPU | sudo tee /proc/irq/{number}/smp_affinity_list "
    "(undone by a restart). Risk: its device is served later when that CPU is busy; a board with one CPU has no other.",
    "softirq": "give this work less to do or another CPU: the interrupt of the device behind it decides where it runs. "
    "Risk: what it serves (network, disk, timers) becomes slower.",
    "processor": "keep this CPU free for the answering program (isolcpus, nohz_full on the kernel's command line). "
    "Risk: everything else shares the other CPUs, and a wrong command line may keep a board from starting.",
    "process": "give the answering program a higher priority than {name} (--fifo-priority), or another CPU. Risk: "
    "{name} waits instead; a real-time program that never sleeps can stop a board with one CPU.",
    "idle": "keep the CPUs from sleeping deeply: hold_cpu_latency = true. Risk: more power and heat, also in rest.",
    "throttled": "let the real-time programs sleep more (wait 'block' in place of 'spin'). Turning the kernel's limit "
    "off is no remedy: a program that never sleeps then takes the board for good.",
    "ours": "measure quietly (--collection quiet) and without load. This is the measurement itself, not your program.",
}


def owner_words(owner: Owner) -> str:
    """Who that is; names come from the board."""
    name = clean(owner.name)
    return {
        "interrupt": f"interrupt {owner.number}{f' ({name})' if name else ''}",
        "softirq": f"softirq {owner.number} ({name})",
        "processor": f"the CPU's own interrupt ({name})",
        "process": f"process {name or 'without a name'}",
        "idle": f"the CPU idle, state {owner.number}",
        "throttled": "the kernel's limit on real-time programs (throttling)",
        "answering": "the answering program itself",
        "input": "the input's own interrupt and its thread",
        "ours": _OURS.get(owner.name, f"edgereply's own {name}"),
        "unknown": "unknown",
    }[owner.kind]


def hold_up_sentences(found: HoldUps | None) -> list[str]:
    """What a traced run says of its late answers; the first sentence is the answer. Nothing where it was not traced."""
    if found is None:
        return []
    lines = _named(found)
    for part in found.periods:
        lines.append(
            f"In {part.answers} of {part.of} recorded late answers of the {part.what} of {duration(part.length_ns)}: "
            f"{owner_words(part.owner)}."
        )
    if found.culprits is not None and not found.all_in_time:
        lines += [f"To try: {line}" for line in dict.fromkeys(map(remedy, found.culprits.accused))]
    return [*lines, *_limits(found)]


def cost_sentence(event_ns: int | None, events: float | None) -> str:
    """What recording cost a run, in a sentence.

    Args:
        event_ns: the cost of one event; None where it could not be measured.
        events: how many a usual answer has; None where none was recorded.
    """
    if event_ns is None or events is None:
        return "Recording who had the CPU makes each answer somewhat slower; how much could not be measured here."
    return (
        f"Recording who had the CPU made each answer about {duration(event_ns * events)} slower "
        f"({events:.0f} events of {duration(event_ns)} each)."
    )


def remedy(item: Culprit) -> str:
    """What to try against one culprit."""
    template = _TO_TRY.get(item.owner.kind, "")
    return template.format(number=item.owner.number, name=clean(item.owner.name) or "it")


def hold_ups_dict(found: HoldUps | None) -> dict[str, Any] | None:
    """JSON-ready."""
    if found is None:
        return None
    culprits = found.culprits
    return {
        "limit_ns": found.limit_ns,
        "all_in_time": found.all_in_time,
        "late": found.late,
        "recorded": found.recorded,
        "usual": 0 if culprits is None else culprits.usual,
        "extra_ns": None if culprits is None else culprits.extra_ns,
        "usual_ns": None if culprits is None else culprits.usual_ns,
        "culprits": [] if culprits is None else [_culprit(item, found.all_in_time) for item in culprits.table],
        "worst": [_answer(item) for item in found.worst],
        "periods": [asdict(part) | {"owner": part.owner._asdict()} for part in found.periods],
        "cost_ns": found.cost_ns,
        "event_ns": found.event_ns,
        "events": found.events,
        "recording": dict(found.report),
    }


def _culprit(item: Culprit, all_in_time: bool) -> dict[str, Any]:
    accused = item.accused and not all_in_time
    said = asdict(item) | {"owner": item.owner._asdict(), "words": owner_words(item.owner), "accused": accused}
    return said | ({"to_try": remedy(item)} if accused else {})


def _answer(item: HeldAnswer) -> dict[str, Any]:
    return {
        "stimulus": item.stimulus,
        "reaction_ns": item.reaction_ns,
        "edge_ns": item.edge_ns,
        "set_ns": item.set_ns,
        "spans": [
            {"start_ns": s.start_ns - item.edge_ns, "end_ns": s.end_ns - item.edge_ns, "owner": s.owner._asdict()}
            for s in item.spans
        ],
    }


def _named(found: HoldUps) -> list[str]:
    if found.culprits is None:
        return ["Who held up late answers: none of them was recorded." if found.late else "No late answer to explain."]
    accused = found.culprits.accused
    if found.all_in_time:
        part = [f"{owner_words(item.owner)} {_percent(item.share)}" for item in found.culprits.table[:3]]
        return [
            f"No answer was later than the deadline. The extra time of the {found.recorded} slowest recorded, later "
            f"than {duration(found.limit_ns)}, went to: {', '.join(part)}."
        ]
    if not accused:
        return [
            "Who held up late answers: nobody stands out; the extra time is spread, or the answering program's own."
        ]
    lines = [f"Held up by {share_words(item, found.culprits.late)}" for item in accused[:MOST_NAMED]]
    return [*lines, *([f"{len(accused) - MOST_NAMED} more are in the JSON."] if len(accused) > MOST_NAMED else [])]


def share_words(item: Culprit, late: int) -> str:
    """A culprit and its numbers."""
    reach = "" if item.low is None or item.high is None else f" (95 %: {_percent(item.low)} to {_percent(item.high)})"
    return (
        f"{owner_words(item.owner)}: {_percent(item.share)} of the extra time{reach}, in {item.answers} of {late} late "
        f"answers, {duration(item.worst_ns)} at worst."
    )


def _percent(share: float) -> str:
    return f"{100 * min(1.0, max(0.0, share)):.3g} %"


def _limits(found: HoldUps) -> list[str]:
    """What the figures above leave out."""
    lines = []
    if found.culprits is not None:
        unknown = next((item.share for item in found.culprits.table if item.owner.kind == "unknown"), 0.0)
        if unknown >= 0.005:
            lines.append(f"{_percent(unknown)} of the extra time is unknown: no events cover it.")
        if not found.culprits.usual:
            lines.append("No usual answer was recorded to compare with: the times above are whole, not extra.")
    if found.recorded < found.late and found.recorded:
        lines.append(
            f"Recorded were {found.recorded:,} of {found.late:,} late answers; the others are in no figure here."
        )
    lines.append(
        "All this is the time from the board's first sight of the edge to its output set; what lies before and after "
        "is not in it."
    )
    return [*lines, cost_sentence(found.event_ns, found.events)]


def not_recorded(in_effect: Mapping[str, Any]) -> str:
    """Why a run that was to be traced was not; "" where it was, or was not to be."""
    effect = in_effect.get("trace") or {}
    return (
        "" if not effect or effect.get("on") else f"Who had the CPU was not recorded: {effect.get('why', 'unknown')}."
    )
