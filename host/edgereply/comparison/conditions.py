"""Like for like: the respects in which runs can differ, and which of them do."""

from collections.abc import Mapping, Sequence
from typing import Any

from edgereply.config.choices import OUR_RESPONDERS
from edgereply.config.load import load_words
from edgereply.evaluation.board_activity import BUSY_SHARE
from edgereply.storage.run_record import RunRecord
from edgereply.wording.numbers import exactly, listing

MANAGED, NATIVE = "managed (Python)", "native (C)"
_BUSY = 0.5
# Respects that somebody chooses, and what follows from a choice.
_SETTINGS = (
    "board", "responder", "route", "wait", "collection", "real time", "load", "trace", "source", "pattern", "rate",
    "stimulus width", "window", "deadline",
)  # fmt: skip
_FOLLOWS = {
    "responder": ("language", "floor program"),
    "board": ("model",),
    "source": ("source model", "source firmware"),
}


def respects(record: RunRecord, evidence: str, deadline_ns: int | None) -> dict[str, str]:
    """Everything about a run that makes it unlike another one, in words; what is not known is "not stated".

    Args:
        record: of the run.
        evidence: its grade, as evaluated.
        deadline_ns: what late was judged by.
    """
    board, stimulus = record.requested.get("board", {}), record.requested.get("stimulus", {})
    facts, plan = record.environment_before, record.source.plan
    responder = board.get("responder", "agent")
    ours = responder in OUR_RESPONDERS
    realtime = {**(board.get("realtime") or {}), **(record.in_effect.get("realtime") or {})}
    effective = {name: record.in_effect.get(name, board.get(name)) for name in ("route", "wait", "collection")}
    stated = {
        "board": record.board,
        "model": facts.get("model"),
        "evidence": evidence,
        "virtual": "yes" if record.virtual else "no",
        "responder": responder,
        "language": {"agent": MANAGED, "floor": NATIVE}.get(responder),
        "floor program": _floor(record.in_effect.get("floor")) if ours else None,
        "system": f"operating system ({facts['kernel'].partition('-')[0]})" if facts.get("kernel") else None,
        "kernel": facts.get("kernel"),
        "preemption": (facts.get("preemption") or {}).get("model"),
        "python": facts.get("python"),
        "load": load_words(record.in_effect.get("load")) if ours else None,
        "trace": "on" if (record.in_effect.get("trace") or {}).get("on") else "off",
        "activity": _activity(record.activity, facts),
        **{name: value if ours else "its own" for name, value in effective.items()},
        "real time": _realtime(realtime) if ours else "its own",
        "source": record.source.kind,
        "source model": record.source.model,
        "source firmware": record.source.firmware,
        "pattern": plan.get("pattern", stimulus.get("pattern")),
        "rate": _rate(plan.get("period_ns", stimulus.get("rate"))),
        "stimulus width": _time(plan.get("width_ns", stimulus.get("width"))),
        "window": _time(record.window_ns),
        "deadline": "none" if deadline_ns is None else exactly(deadline_ns),
        "tool": record.tool,
    }
    return {name: str(value) if value not in (None, "") else "not stated" for name, value in stated.items()}


def joined_words(facts: Sequence[Mapping[str, str]]) -> dict[str, str]:
    """Respects of several runs taken together: every value that occurs."""
    names = facts[0] if facts else {}
    return {name: " / ".join(dict.fromkeys(item[name] for item in facts)) for name in names}


def differing(named: Sequence[tuple[str, Mapping[str, str]]]) -> dict[str, dict[str, list[str]]]:
    """The respects in which some differ.

    Args:
        named: a short name and the respects of each.

    Returns:
        By respect, by value: the short names that have it.
    """
    found: dict[str, dict[str, list[str]]] = {}
    for respect in dict.fromkeys(key for _, facts in named for key in facts):
        values: dict[str, list[str]] = {}
        for name, facts in named:
            values.setdefault(facts.get(respect, "not stated"), []).append(name)
        if len(values) > 1:
            found[respect] = values
    return found


def varied(differences: Mapping[str, Any]) -> tuple[list[str], list[str]]:
    """What was compared on purpose, and what is different besides.

    Settings are chosen, and what cannot but follow from one is no difference of its own. Where no setting differs, the
    one thing that does is what is compared.

    Args:
        differences: from `differing`, by respect.
    """
    follows = {name for setting, names in _FOLLOWS.items() if setting in differences for name in names}
    chosen = [name for name in differences if name in _SETTINGS and name not in follows]
    rest = [name for name in differences if name not in chosen and name not in follows]
    return (rest, []) if not chosen and len(rest) == 1 else (chosen, rest)


def compared_words(differences: Mapping[str, Any]) -> str:
    """What was compared and what else is different: "Compared: route. Also different: nothing." for one."""
    chosen, rest = varied(differences)
    if not differences:
        return "Compared: sittings of one setup. Nothing that is recorded is different."
    said = listing(chosen) if chosen else "nothing that was set"
    return f"Compared: {said}. Also different: {listing(rest) if rest else 'nothing'}."


def difference_words(values: Mapping[str, Sequence[str]], most: int = 6) -> str:
    """One respect in a line: "block (A, B) · spin (C)"; many names are counted instead."""
    return " · ".join(
        f"{value} ({', '.join(names) if len(names) <= most else f'{len(names)} runs'})"
        for value, names in values.items()
    )


def mixing_words(measurands: Mapping[str, Sequence[str]], evidence: Mapping[str, Sequence[str]]) -> list[str]:
    """Sentences on figures that do not measure the same thing.

    Args:
        measurands: what the reaction time is, and who has it.
        evidence: grades, and who has them.
    """
    lines = []
    if len(evidence) > 1:
        lines.append(f"These runs mix grades of evidence: {difference_words(evidence)}.")
    kinds = {name.removeprefix("virtual · ") for name in measurands}
    if "inside" in kinds and len(kinds) > 1:
        lines.append(
            "Their figures do not measure the same thing: loop-back and joined times run from the stimulus edge to the "
            "response edge on the source's clock; inside times are the board's own stamps and leave out what happens "
            "before its kernel sees the edge and after its program has written."
        )
    elif len(evidence) > 1 and len(kinds) == 1:
        lines.append("Their reaction times are all taken by the source's clock and can be compared.")
    if len({name.startswith("virtual") for name in measurands}) > 1:
        lines.append("Virtual runs say nothing about hardware: do not set their figures against measured ones.")
    if len(measurands) > 1:
        lines.append(f"Nobody is tested across {listing(sorted(measurands))}: groups share no letters there.")
    return lines


def _rate(period_ns: Any) -> str | None:
    return f"{1e9 / period_ns:.6g}/s" if isinstance(period_ns, int | float) and period_ns > 0 else None


def _time(value_ns: Any) -> str | None:
    return exactly(value_ns) if isinstance(value_ns, int) else None


def _floor(floor: Any) -> str:
    """How a floor program was made."""
    if not isinstance(floor, dict):
        return "none"
    made = " ".join([str(floor.get("version", "")), *map(str, floor.get("options", []))]).strip()
    return made or f"ready made, SHA-256 {str(floor.get('sha256', ''))[:16]}"


def _realtime(settings: Mapping[str, Any]) -> str:
    parts = [f"{name} {value}" for name, value in sorted(settings.items()) if value not in (None, False, "", {}, [])]
    return ", ".join(parts) or "none"


def _activity(measured: Mapping[str, Any], facts: Mapping[str, Any]) -> str | None:
    """Whether others kept the board busy, coarse: no figure repeats exactly. By the load average where none counted."""
    if measured.get("others_share") is not None:
        limit = f"{BUSY_SHARE:.0%}"
        return f"busy (others used {limit} or more)" if measured["busy"] else f"idle (others used below {limit})"
    try:
        share = float(facts["load"][0]) / max(1, int(facts.get("cpu_count") or 1))
    except (KeyError, IndexError, TypeError, ValueError):
        return None
    return f"busy (load average {_BUSY} a CPU or more)" if share >= _BUSY else f"idle (below {_BUSY} a CPU)"
