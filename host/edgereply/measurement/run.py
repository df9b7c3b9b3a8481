"""One measurement: board, source and store are passed in; stamps flow until the plan is done or something gives way."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from edgereply.board.client import BoardClient, fault_error
from edgereply.board.translation import board_stamps, observed_edges, trace_events
from edgereply.errors import HostError, LinkError, SourceError
from edgereply.sources.base import PulseSource, SourceBatch, StimulusPlan
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.stamps import RISE, STIMULUS
from edgereply.system.deadline import Deadline
from edgereply_protocol import Fault, Json, Layout, Message, Progress, Stamps, Stopped, Traced

POLL_S = 0.05
STOP_S = 15.0
MARGIN_S = 30.0
STALL_S = 10.0
MOST_TIMES_SLOWER = 20
# Edges that a noisy line may add to those of the plan, and how often a board may report: it does so once a second.
MOST_TIMES_MORE, MOST_ADDED = 20, 1_000_000
# Events of its kernel that an agent ships in a run: somewhat more than it means to.
MOST_TRACED = 1_000_000
MOST_REPORTS_A_S, MOST_REPORTS = 20, 200


@dataclass(slots=True)
class Tally:
    """What has been seen so far; handed to the watcher a few times a second. `captures`: the source times answers."""

    expected: int
    captures: bool = True
    started_at: float = field(default_factory=time.monotonic)
    stimuli: int = 0
    rises: int = 0
    answered: int = 0
    lost_records: int = 0
    lost_edges: int = 0
    unrecorded: int = 0

    @property
    def elapsed_s(self) -> float:
        """Seconds since the start."""
        return time.monotonic() - self.started_at


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """How a run ended: `complete`, or `incomplete` with the reason and, if there was one, the error behind it."""

    state: str
    reason: str
    tally: Tally
    error: HostError | None
    interrupted: bool
    environment_after: Json


Watcher = Callable[[Tally, SourceBatch | None], None]
Enough = Callable[[SourceBatch | None], bool]


class Run:
    """Carries one run out. Use once, from one thread."""

    def __init__(
        self,
        board: BoardClient | None,
        source: PulseSource,
        writer: RunWriter,
        plan: StimulusPlan,
        watch: Watcher,
        enough: Enough | None = None,
    ) -> None:
        self._board = board
        self._source = source
        self._writer = writer
        self._watch = watch
        self._enough = enough
        self._plan = plan
        self._stopped: Stopped | None = None
        self._rows = self._reports = self._traced = 0
        self._tally = Tally(plan.count, source.identity.captures)

    def execute(self) -> RunOutcome:
        """Measure until the source is done; keeps everything that was received, whatever happens.

        The board's task must be configured and the source armed. On return the board's output and the stimulus line
        are low, or the outcome says that the far end could not be told.
        """
        error: HostError | None = None
        interrupted = False
        try:
            self._stimulate()
        except KeyboardInterrupt:
            interrupted = True
        except HostError as caught:
            error = caught
        problems, once_more = self._wind_down()
        interrupted = interrupted or once_more
        error = error or (problems[0] if problems else None)
        reason = "stopped by the user" if interrupted else _reason(error)
        state = "incomplete" if reason else "complete"
        try:
            self._writer.finish(state, reason)
        except KeyboardInterrupt:  # held back until all was written
            interrupted = True
        except HostError as caught:
            error, state = error or caught, "incomplete"
        stopped = self._stopped
        return RunOutcome(
            state,
            reason or _reason(error),
            self._tally,
            error,
            interrupted,
            stopped.environment if stopped else {},
        )

    def _stimulate(self) -> None:
        if self._board is not None:
            self._board.start()
        self._source.start()
        self._tally.started_at = time.monotonic()
        # A source that runs slow, as a simulated one does on a busy computer, may go on while edges come.
        planned_s, period_s = self._plan.count * self._plan.period_ns * 1e-9, self._plan.period_ns * 1e-9
        limit, last = (Deadline(planned_s * times + MARGIN_S) for times in (1.5, MOST_TIMES_SLOWER))
        stalled = Deadline(STALL_S)
        while True:
            batch = self._source.read(POLL_S)
            self._take_batch(batch)
            self._take_board(0.0)
            self._watch(self._tally, batch)
            if (batch is not None and batch.done) or (self._enough is not None and self._enough(batch)):
                return
            if self._stopped is not None:
                raise LinkError(f"the agent ended the task: {self._stopped.reason}", where=self._board_name)
            if batch is not None:
                stalled = Deadline(max(STALL_S, 2 * period_s))
            if last.expired() or (limit.expired() and stalled.expired()):
                raise SourceError(
                    f"the source has not finished after {self._tally.elapsed_s:.0f} s "
                    f"({self._tally.stimuli} of {self._plan.count} stimuli)",
                    remedy="check the source and its cable, then measure again",
                )

    def _wind_down(self) -> tuple[list[HostError], bool]:
        """Quieten both ends. Returns what went wrong, and whether the user asked for the end meanwhile."""
        problems: list[HostError] = []
        interrupted = False
        for step in (self._quieten_source, self._stop_board):
            try:
                step()
            except HostError as error:
                problems.append(error)
            except KeyboardInterrupt:
                interrupted = True
        return problems, interrupted

    def _quieten_source(self) -> None:
        self._source.abort()
        deadline = Deadline(2.0)
        while not deadline.expired():
            batch = self._source.read(POLL_S)
            self._take_batch(batch)
            if batch is None or batch.done:
                return

    def _stop_board(self) -> None:
        if self._board is None or self._stopped is not None:
            return
        if not self._board.running:
            return
        self._board.stop()
        deadline = Deadline(STOP_S)
        while self._stopped is None:
            if deadline.expired():
                raise LinkError("the agent did not stop in time", where=self._board_name, remedy="check the board")
            self._take_board(POLL_S)

    def _take_batch(self, batch: SourceBatch | None) -> None:
        if batch is None:
            return
        self._tally.stimuli += int(np.count_nonzero(batch.kind == STIMULUS))
        self._tally.rises += int(np.count_nonzero(batch.kind == RISE))
        self._tally.lost_records += batch.lost
        self._writer.add_source(batch.kind, batch.at_ns)

    def _take_board(self, timeout_s: float) -> None:
        if self._board is not None:
            for message in self._board.poll(timeout_s):
                self._take_message(message)

    def _take_message(self, message: Message) -> None:
        tally = self._tally
        self._check_flood(message)
        if isinstance(message, Stamps) and message.block.layout is Layout.ANSWERS:
            stamps = board_stamps(message)
            tally.answered += len(stamps.edge_ns)
            self._writer.add_board(stamps)
        elif isinstance(message, Stamps):
            edges = observed_edges(message)
            tally.answered += int(np.count_nonzero(edges.kind == RISE))
            self._writer.add_observed(edges)
        elif isinstance(message, Traced):
            self._writer.add_trace(trace_events(message))
        elif isinstance(message, Progress | Stopped):
            tally.lost_edges, tally.unrecorded = message.lost, message.unrecorded
            if isinstance(message, Progress):
                self._writer.add_context(message.board_ns, message.context.get("reading"))
            if isinstance(message, Stopped):
                self._stopped = message
        elif isinstance(message, Fault):
            raise fault_error(message, self._board_name)

    def _check_flood(self, message: Message) -> None:
        """Refuse a board that would fill the disk: far more rows than there can be edges, or reports without end."""
        if isinstance(message, Stamps):
            self._rows += max(1, message.block.rows)
        elif isinstance(message, Progress):
            self._reports += 1
        elif isinstance(message, Traced):
            self._traced += max(1, message.block.rows)
            if self._traced > MOST_TRACED:
                raise LinkError(
                    f"the board sent {self._traced:,} events of its kernel, and should send {MOST_TRACED:,} at most",
                    where=self._board_name,
                    remedy="start again",
                )
        if self._rows > MOST_TIMES_MORE * self._plan.count + MOST_ADDED:
            raise LinkError(
                f"the board sent {self._rows:,} rows for {self._plan.count:,} stimuli",
                where=self._board_name,
                remedy="look for noise on the input, and start again",
            )
        if self._reports > MOST_REPORTS_A_S * self._tally.elapsed_s + MOST_REPORTS:
            raise LinkError(
                f"the board sent {self._reports:,} reports within {self._tally.elapsed_s:.0f} s, and should send one a "
                "second",
                where=self._board_name,
                remedy="start again",
            )

    @property
    def _board_name(self) -> str:
        return self._board.name if self._board is not None else ""


def _reason(error: HostError | None) -> str:
    return "" if error is None else str(error)
