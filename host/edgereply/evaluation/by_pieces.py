"""A run of any length evaluated piece by piece: counts exact, quantiles to a stated error, a few hundred MiB at most.

Each piece is evaluated with some ten thousand stimuli around it; the board's rows are found by following its clock from
piece to piece. Values go into sketches and lateness into one bit a stimulus, from which the verdict is the same as the
whole run's. From `MOST_WHOLE` stimuli on the verdict, the summary after a measurement and the check of a bundle go this
way. `python -m tests.benchmarks.long_run 100000000` makes a run and measures what a command on it takes.

What cannot be told without all answers at once is left out: intervals of quantiles, the tail model, the explanation.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.bits import Bits, join_bits, pack
from edgereply.analysis.arrays.presence import NO_STAMP, difference
from edgereply.analysis.pairing.result import Status, unknown
from edgereply.analysis.statistics.intervals import count_needed
from edgereply.analysis.statistics.sketch import Sketch, merge, sketch
from edgereply.analysis.statistics.summary import QUANTILES, JsonSummary
from edgereply.errors import SettingError
from edgereply.evaluation.board_side import answered
from edgereply.evaluation.bounds import JsonBounds, bounds
from edgereply.evaluation.evaluate import (
    COUNTED,
    TAIL_NS,
    Joined,
    by_one_clock,
    counts_of,
    crowded,
    joined,
    watched_to,
)
from edgereply.evaluation.pieces import LATEST, STIMULI, BoardFeed, Piece, cut
from edgereply.storage.run_reader import RunReader, in_order
from edgereply.storage.run_record import Evidence
from edgereply.storage.stamps import BoardStamps
from edgereply.wording.numbers import duration, quantile

# From here on a run is evaluated by pieces unless asked for otherwise: as a whole it would take some 3 GiB.
MOST_WHOLE: Final = 20_000_000
BITS: Final = 12
# Between pieces the board's clock is taken to go on as it did, to within this and a ten-thousandth of the time.
SLACK_NS: Final = 1_000_000_000


@dataclass(slots=True)
class Split:
    """Values of late answers, or of missed stimuli, and of those on time."""

    late: Sketch = field(default_factory=lambda: Sketch(bits=BITS))
    usual: Sketch = field(default_factory=lambda: Sketch(bits=BITS))

    def add(self, values: Int64s, late: Bools) -> None:
        """Count the values that are there."""
        there = values != NO_STAMP
        self.late = merge(self.late, sketch(values[there & late], BITS))
        self.usual = merge(self.usual, sketch(values[there & ~late], BITS))

    @property
    def all(self) -> Sketch:
        """Both together."""
        return merge(self.late, self.usual)


@dataclass(slots=True)
class PieceByPiece:
    """What the pieces add up to.

    Attributes:
        pieces: how many.
        evidence: `joined` only where every piece could be joined.
        counts: as those of the whole run.
        reaction, pulse_width, segments: sketches, by lateness.
        late: a bit for each stimulus whose answer is known or missing, in order of time: answered late or not at all.
        late_at_worst, late_at_best: the same with those of which nothing is known, counted as late and as on time.
        first_ns, last_ns: first and last stimulus.
        crowded: of the ambiguous stimuli, those that came close to another.
        notes: what the reader of the figures must know.
    """

    deadline_ns: int | None
    pieces: int = 0
    evidence: Evidence = "loop-back"
    counts: Counter[str] = field(default_factory=Counter)
    reaction: Split = field(default_factory=Split)
    pulse_width: Split = field(default_factory=Split)
    segments: dict[str, Split] = field(default_factory=dict)
    late: list[Bits] = field(default_factory=list)
    late_at_worst: list[Bits] = field(default_factory=list)
    late_at_best: list[Bits] = field(default_factory=list)
    first_ns: int | None = None
    last_ns: int = 0
    crowded: int = 0
    notes: list[str] = field(default_factory=list)

    def summary(self, virtual: bool) -> dict[str, Any]:
        """The summary as it is printed and stored (JSON-ready); quantiles have an error and no interval."""
        names = ("stimuli", "responses", *COUNTED)
        return {
            **{name: self.counts[name] for name in names},
            "bounds": self.bounds(),
            "reaction": figures(self.reaction.all),
            "pulse_width": figures(self.pulse_width.all),
            "segments": {name: figures(split.all) for name, split in self.segments.items()},
            "evidence": self.evidence,
            "virtual": virtual,
            "by_pieces": {"pieces": self.pieces, "relative_error": 2.0**-BITS},
        }

    def bounds(self) -> JsonBounds | None:
        """What the figures could be, to within the sketch's error; None where no stimulus is left out."""
        left_out = self.counts["ambiguous"] + self.counts["unobserved"]
        if not left_out:
            return None
        reaction, lacking = self.reaction.all, self.counts["missed"] + self.counts["coalesced"]
        known = reaction.count
        return bounds(known, lambda at: reaction.quantile((at + 1) / known), lacking, left_out, self.counts["late"])

    def bits(self, unknown: Literal["left out", "late", "on time"] = "left out") -> Bits:
        """Whether each stimulus was late, in order of time; what those count as of which nothing is known."""
        return join_bits({"left out": self.late, "late": self.late_at_worst, "on time": self.late_at_best}[unknown])


def words(summary: Mapping[str, Any]) -> list[str]:
    """The figures of a run evaluated by pieces, and what they are worth, for people.

    Args:
        summary: as `PieceByPiece.summary` gives it.
    """
    how, reaction = summary["by_pieces"], summary["reaction"]
    lines = [
        f"Evaluated by pieces ({how['pieces']:,}), each paired by itself: counts, slowest answer and verdict are "
        f"exact, quantiles are within 1 part in {round(1 / how['relative_error']):,} and have no intervals."
    ]
    if reaction["count"]:
        lines.append(
            f"Median {quantile(reaction, 'median_ns')}, p99.9 {quantile(reaction, 'p99_9_ns')}; the slowest of "
            f"{reaction['count']:,} took {duration(reaction['max_ns'])}."
        )
    named = ("missed", "spurious", "coalesced", "ambiguous", "unobserved")
    lines.append(f"{summary['stimuli']:,} stimuli; {', '.join(f'{summary[name]:,} {name}' for name in named)}.")
    return lines


def figures(values: Sketch) -> JsonSummary:
    """Figures of one sample as `SampleSummary.as_dict` has them, without intervals.

    Count, ends, mean and deviation are exact, quantiles to within the sketch's error; those that the answers are too
    few for are None, as in any other summary.
    """
    needed = {name: count_needed(p) for name, p in QUANTILES.items() if values.count < count_needed(p)}
    found = {name: None if name in needed else values.quantile(p) for name, p in QUANTILES.items()}
    low, high = values.min_ns, values.max_ns
    tail, median = found["p99_9_ns"], found["median_ns"]
    return {
        "count": values.count,
        "min_ns": low,
        **found,
        "max_ns": high,
        "mean_ns": values.mean_ns(),
        "std_ns": values.std_ns(),
        "peak_to_peak_ns": None if low is None or high is None else high - low,
        "tail_spread_ns": None if tail is None or median is None else tail - median,
        "ci95": dict.fromkeys(QUANTILES),
        "ci95_method": {},
        "effective_count": {},
        "rough": [],
        "needed": needed,
    }


def can_be_cut(reader: RunReader) -> bool:
    """Whether a run can be evaluated by pieces: the source captured the answers, and the board did not just watch."""
    record = reader.record
    return record.source.captures and record.evidence != "imported" and not reader.rows("observed")


def goes_by_pieces(reader: RunReader, wanted: bool | None) -> bool:
    """Whether to evaluate a run by pieces.

    Args:
        reader: of the run.
        wanted: by the user; None leaves it to the run's length.

    Raises:
        SettingError: it is wanted of a run that cannot be cut.
    """
    if wanted and not can_be_cut(reader):
        raise SettingError(
            "only a run whose source captured the answers, and whose board did not just watch, goes by pieces",
            where="--by-pieces",
            remedy="leave it out: the run is evaluated as a whole",
        )
    return reader.rows("stamps") > MOST_WHOLE and can_be_cut(reader) if wanted is None else wanted


def evaluate_by_pieces(reader: RunReader, deadline_ns: int | None, stimuli: int = STIMULI) -> PieceByPiece:
    """Pair, join and measure piece by piece.

    Args:
        reader: of a run that `can_be_cut`.
        deadline_ns: later answers count as late; None counts none.
        stimuli: how many a piece.

    Raises:
        DataError: a part is missing, truncated or altered.
    """
    found = PieceByPiece(deadline_ns)
    joiner = _Joiner(BoardFeed(_times_only(reader.board_parts())))
    for piece in cut(in_order(reader.source_parts(), reader.directory), reader.record.window_ns, stimuli):
        _add(found, piece, joiner, reader.record.window_ns, tail_ns(reader))
    if joiner.found:
        found.evidence = "joined" if joiner.whole else "loop-back"
    if not joiner.whole:
        found.segments.clear()
    found.notes += joiner.notes
    return found


def tail_ns(reader: RunReader) -> int | None:
    """How long the source went on capturing after the last stimulus of a run; None for as long as the window.

    A run that was cut off, or stopped before its plan was done, may have ended at any time.
    """
    record = reader.record
    if record.evidence == "imported":
        return None
    planned = record.source.plan.get("count")
    whole = record.state == "complete" and (planned is None or reader.rows("stamps") >= planned)
    return TAIL_NS if whole else 0


def _times_only(parts: Iterator[BoardStamps]) -> Iterator[BoardStamps]:
    none = np.zeros(0, np.uint32)
    for part in parts:
        numbers = np.broadcast_to(none.sum(dtype=np.uint32), len(part.edge_ns))
        yield replace(part, seqno=numbers, line_seqno=numbers)


class _Joiner:
    """Gives each piece the board's rows, found by following the board's clock from piece to piece."""

    def __init__(self, feed: BoardFeed) -> None:
        self._feed = feed
        self._clock: tuple[int, int, float] | None = None
        self._from_ns = -LATEST
        self.found = False
        self.whole = True
        self.notes: list[str] = []

    def join(self, piece: Piece, window_ns: int, watched_to_ns: int | None) -> tuple[Joined | None, Counter[str]]:
        """Join one piece; counts are those of the stimuli that are its own. None where the board says nothing."""
        if not self.whole:
            return None, Counter()
        if piece.first:
            rows = len(piece.stimulus_ns) + len(piece.stimulus_ns) // 50 + 1000
            board = self._feed.between(-LATEST, LATEST) if piece.last else self._feed.beginning(rows)
        else:
            low = -LATEST if self._clock is None else self._board_ns(int(piece.stimulus_ns[0]), -1)
            high = LATEST if piece.last or self._clock is None else self._board_ns(int(piece.stimulus_ns[-1]), 1)
            board = self._feed.between(low, high)
        if not len(board.edge_ns) and not self.found:
            return None, Counter()
        result = joined(piece.edges, answered(board), window_ns, watched_to_ns)
        if result.answer_ns is None or result.edge_ns is None:
            self.whole, self.found = False, False
            self.notes += result.notes or ["the board has no stamps for a piece of the run: its figures are left out"]
            return None, Counter()
        self.found = True
        edge = result.edge_ns
        at = np.flatnonzero(edge != NO_STAMP)
        first, last = int(at[0]), int(at[-1])
        rate = (int(edge[last]) - int(edge[first])) / max(1, int(piece.stimulus_ns[last] - piece.stimulus_ns[first]))
        self._clock = int(piece.stimulus_ns[last]), int(edge[last]), rate
        before = at[np.searchsorted(at, piece.own.stop) - 1]
        to_ns = LATEST if piece.last else int(edge[before]) + piece.to_ns - int(piece.stimulus_ns[before])
        counts = Counter(
            joined=int(np.count_nonzero(edge[piece.own] != NO_STAMP)),
            unseen=int(np.count_nonzero(result.unseen[piece.own])),
            extra_edges=_within(result.extra_ns, self._from_ns, to_ns),
        )
        paired = result.pairing.status[piece.own] == Status.PAIRED
        if without := int(np.count_nonzero(paired & (result.answer_ns[piece.own] == NO_STAMP))):
            counts["without_segments"] = without
        self._from_ns = to_ns
        self.notes = list(dict.fromkeys(self.notes + result.notes))
        return result, counts

    def _board_ns(self, source_ns: int, side: int) -> int:
        assert self._clock is not None
        at, edge, rate = self._clock
        return edge + round((source_ns - at) * rate) + side * (SLACK_NS + abs(source_ns - at) // 10_000)


def _add(found: PieceByPiece, piece: Piece, joiner: _Joiner, window_ns: int, tail_ns: int | None) -> None:
    watched_to_ns = watched_to(*piece.edges, tail_ns if piece.last else None)
    board, counts = joiner.join(piece, window_ns, watched_to_ns)
    paired = by_one_clock(piece.edges, window_ns, watched_to_ns) if board is None else board.pairing
    own = piece.own
    status, stimulus = paired.status[own], paired.stimulus_ns[own]
    is_paired = status == Status.PAIRED
    reaction = difference(paired.rise_ns[own], stimulus, is_paired)
    width = difference(paired.fall_ns[own], paired.rise_ns[own], is_paired)
    spurious = _within(paired.spurious_rise_ns, piece.from_ns, piece.to_ns)
    # Adding counters would leave out what was counted and is 0.
    counts.update(counts_of(status, reaction, spurious, found.deadline_ns))
    lost = int(np.count_nonzero(is_paired & (paired.fall_ns[own] == NO_STAMP)))
    found.counts.update(counts)
    if lost:
        found.counts["falls_lost"] += lost
    late = np.zeros(len(reaction), np.bool_) if found.deadline_ns is None else reaction > found.deadline_ns
    found.reaction.add(reaction, late)
    found.pulse_width.add(width, late)
    if board is not None and board.answer_ns is not None:
        columns = {name: values[own] for name, values in board.segments.items()}
        columns["outside"] = difference(reaction, board.answer_ns[own])
        for name, values in columns.items():
            found.segments.setdefault(name, Split()).add(values, late)
    if found.deadline_ns is not None:
        late_or_missing = late | (reaction == NO_STAMP)
        found.late_at_worst.append(pack(late_or_missing))
        found.late_at_best.append(pack(late_or_missing & ~unknown(status)))
        found.late.append(pack(late_or_missing[~unknown(status)]))
    found.crowded += crowded(stimulus, status, reaction)
    if len(stimulus):
        found.first_ns = int(stimulus[0]) if found.first_ns is None else found.first_ns
        found.last_ns = int(stimulus[-1])
    found.pieces += 1


def _within(times: Int64s, low: int, high: int) -> int:
    return int(np.count_nonzero((times >= low) & (times < high)))
