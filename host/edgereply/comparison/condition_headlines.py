"""Every side of a comparison in a headline, judged by its own deadline without any late answer tolerated."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from edgereply.analysis.arrays.quantiles import quantiles
from edgereply.analysis.statistics.intervals import count_needed
from edgereply.analysis.statistics.verdict import judge
from edgereply.comparison.entries import LOST_NS, Entry
from edgereply.evaluation.headline import Headline, HeadlineOutcome, unjudged
from edgereply.wording.numbers import clean, exactly, listing, trouble_counts

_FIGURES = (0.5, 0.99)
CONFIDENCE = 0.95
MOST_NAMED = 4


def entry_headline(entry: Entry, name: str = "") -> Headline:
    """The headline of one side.

    Args:
        entry: the side.
        name: what to call it; its own name if "".
    """
    answers = entry.reaction_ns
    typical = p99 = None
    if answers.size:
        typical, p99 = (int(value) for value in quantiles(answers, _FIGURES))
        p99 = p99 if answers.size >= count_needed(_FIGURES[1]) else None
    counts, deadline_ns = entry.counts, entry.deadline_ns
    late = counts["late"] if deadline_ns is not None else 0
    return Headline(
        name=name or entry.name,
        grade=entry.grade,
        outcome=entry_outcome(entry),
        answer=unjudged(counts["stimuli"], int(answers.size), late, deadline_ns),
        best_ns=int(answers.min()) if answers.size else None,
        typical_ns=typical,
        p99_ns=p99,
        worst_ns=int(answers.max()) if answers.size else None,
        deadline_ns=deadline_ns,
        stimuli=counts["stimuli"],
        late=late,
        missed=counts["missed"],
        coalesced=counts["coalesced"],
        unmatched=counts["ambiguous"],
        unobserved=counts.get("unobserved", 0),
        spurious=counts["spurious"],
        cut=f"Not complete: {listing([clean(line) for line in trouble_counts(entry.trouble)])}."
        if entry.trouble
        else "",
    )


def entry_outcome(entry: Entry) -> HeadlineOutcome:
    """Whether a side keeps its deadline, as `verdict` judges a run; "" without a deadline or a stimulus to judge.

    Where the stimuli whose answer cannot be told, or answers nearer to the deadline than the instrument can tell, could
    turn it, there is not enough data. Nor is there where a pass hangs on the part of a cycle that no stimulus saw.
    """
    outcomes, deadline_ns = entry.outcomes_ns, entry.deadline_ns
    if deadline_ns is None or not outcomes.size:
        return ""
    near_ns = 0 if entry.known_to is None else math.ceil(entry.known_to.expanded_ns(deadline_ns))
    near = near_ns > 0 and bool((np.abs(outcomes - deadline_ns) <= near_ns).any())
    answered = np.ones(outcomes.size, np.bool_)
    found = {
        judge(outcomes, answered, side, CONFIDENCE, None).outcome
        for side in ((deadline_ns - near_ns, deadline_ns, deadline_ns + near_ns) if near else (deadline_ns,))
    }
    if unmatched := entry.left_out:
        at_worst = np.append(outcomes, np.full(unmatched, LOST_NS))
        found.add(judge(at_worst, np.ones(at_worst.size, np.bool_), deadline_ns, CONFIDENCE, None).outcome)
    if len(found) != 1 or (entry.locked and "pass" in found):
        return "not enough data"
    return found.pop()


def deadline_sentence(headlines: Sequence[Headline]) -> str:
    """Who keeps the deadline, in one sentence; conditions with different deadlines are judged each by its own.

    Args:
        headlines: one or more, their names short.
    """
    everyone = len(headlines) > 1
    whole = {"pass": f"kept by all {len(headlines)}", "fail": f"NOT kept by any of the {len(headlines)}",
             "not enough data": f"not proven for any of the {len(headlines)}"}  # fmt: skip
    words = {"pass": "kept by", "fail": "NOT kept by", "not enough data": "not proven for"}
    parts = []
    for outcome, verb in words.items():
        who = [item.name for item in headlines if item.outcome == outcome]
        if who:
            all_of_them = everyone and len(who) == len(headlines)
            parts.append(whole[outcome] if all_of_them else f"{verb} {_names(who)}")
    if not parts:
        return "No deadline was set, so none is judged."
    return f"{_deadlines(headlines)}: {'; '.join(parts)}."


def _names(who: Sequence[str]) -> str:
    return listing(who) if len(who) <= MOST_NAMED else f"{len(who)} of them"


def _deadlines(headlines: Sequence[Headline]) -> str:
    known = list(dict.fromkeys(item.deadline_ns for item in headlines if item.deadline_ns is not None))
    return f"Deadline {exactly(known[0])}" if len(known) == 1 else "Each one's own deadline"
