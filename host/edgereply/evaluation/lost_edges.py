"""Who lost an edge: the pin, the kernel, its queue or the program, by counts of one and the same edges on their way.

Four counts of a run stand one behind the other: stimuli sent; interrupts that the kernel counted for the input's line;
events that it numbered; events that were read. An edge that is in one and not in the next was lost between them:

- stimuli without an interrupt: at the pin, in a filter, or in the latch of the GPIO controller or its driver, which
  holds one edge and forgets a second one;
- interrupts without an event: two edges before the interrupt's thread had taken the first are one event, with no gap in
  the numbers;
- numbered and never read: the kernel's queue was full and dropped the oldest;
- read and not answered: the program. Our own responders answer each event they read.

Counts do not say which edge it was, and an edge that nobody sent (a ringing wire) may hide one that was lost before it,
so a surplus is told beside them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from edgereply.config.choices import software_wires
from edgereply.storage.run_record import RunRecord
from edgereply.wording.numbers import listing


@dataclass(frozen=True, slots=True)
class LostEdges:
    """The counts of a run; None where the board does not tell one.

    Attributes:
        stimuli: that the source sent.
        interrupts: counted by the kernel for the input's line.
        numbered: events of the input, by their numbers.
        read: events that were read.
        answered: events that were answered.
        watched: another program answered, and the counts are those of a tap beside its own line.
    """

    stimuli: int
    interrupts: int | None
    numbered: int
    read: int
    answered: int
    watched: bool = False

    @property
    def before_kernel(self) -> int | None:
        """Stimuli without an interrupt."""
        return None if self.interrupts is None else max(0, self.stimuli - self.interrupts)

    @property
    def merged(self) -> int | None:
        """Interrupts without an event."""
        return None if self.interrupts is None else max(0, self.interrupts - self.numbered)

    @property
    def queue(self) -> int:
        """Numbered events that nobody could read any more."""
        return self.numbered - self.read

    @property
    def program(self) -> int:
        """Events that were read and not answered."""
        return max(0, self.read - self.answered)

    @property
    def surplus(self) -> int:
        """Interrupts, or events where no interrupts are known, beyond the stimuli."""
        seen = self.numbered if self.interrupts is None else self.interrupts
        return max(0, seen - self.stimuli)

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready: the counts, and what was lost where."""
        lost = {name: getattr(self, name) for name in ("before_kernel", "merged", "queue", "program")}
        return {**asdict(self), "lost": lost, "surplus": self.surplus}

    def sentence(self) -> str:
        """Where edges were lost, in words; "" where none was."""
        where: list[str] = []
        if self.interrupts is None:
            if unseen := max(0, self.stimuli - self.numbered):
                where.append(f"{unseen:,} before the kernel numbered them (the board tells no interrupts of the line)")
        else:
            if self.before_kernel:
                where.append(
                    f"{self.before_kernel:,} never reached the kernel (no interrupt: pin, filter or controller)"
                )
            if self.merged:
                where.append(f"{self.merged:,} merged with another in the kernel's latch (no gap in the numbers)")
        if self.queue:
            where.append(f"{self.queue:,} dropped by the kernel's full queue")
        if self.program:
            who = "by the program, or on its own line" if self.watched else "by the program"
            where.append(f"{self.program:,} not answered {who}")
        if not where:
            return ""
        beside = f" {self.surplus:,} edges that nobody sent may hide further ones." if self.surplus else ""
        return f"Edges lost on the board: {listing(where)}.{beside}"


def lost_edges(record: RunRecord) -> LostEdges | None:
    """What became of the edges of a run on their way through the board.

    Args:
        record: of a run on a board whose kernel numbers events.

    Returns:
        None where no agent was there, the route has no numbers, the run was cut off, or it is of an older version that
        did not count what it read.
    """
    counts, during = record.counts, record.environment_after.get("during") or {}
    known = record.state == "complete" and record.in_effect.get("lost_edges_seen") and "edges_read" in counts
    if not known or software_wires(record.in_effect.get("route")):
        return None
    read = counts["edges_read"]
    return LostEdges(
        stimuli=counts.get("stimuli", 0),
        interrupts=_interrupts(record.in_effect, during),
        numbered=read + counts.get("lost_edges", 0),
        read=read,
        answered=counts.get("edges_answered", read),
        watched="edges_answered" in counts,
    )


def _interrupts(in_effect: Mapping[str, Any], during: Mapping[str, Any]) -> int | None:
    name = ((in_effect.get("lines") or {}).get("input") or {}).get("interrupt")
    found = (during.get("line_interrupts") or {}).get(name) if isinstance(name, str) else None
    return found if isinstance(found, int) else None
