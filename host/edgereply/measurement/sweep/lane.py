"""Measures the blocks of boards that take turns; what fails is recorded and the rest goes on."""

import contextlib
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from edgereply.config.settings import Bench
from edgereply.errors import HostError, StoreError
from edgereply.measurement.measure import Measured, OpenBench, Procedure, Say, block_words
from edgereply.measurement.pace import SeriesClock
from edgereply.measurement.run import Tally, Watcher
from edgereply.measurement.sweep.conditions import Setup, with_seed
from edgereply.sources.base import SourceBatch
from edgereply.storage.series_record import BlockRecord, BlockState
from edgereply.wording.progress import SeriesProgress

Watch = Callable[[Bench, str, Callable[[], SeriesProgress]], AbstractContextManager[Watcher]]
Opener = Callable[[Bench, str, Say, Path | None], AbstractContextManager[OpenBench]]


@dataclass(frozen=True, slots=True)
class Ended:
    """How a sweep ended.

    Attributes:
        interrupted: the user stopped it; it can be resumed.
        gave_up: so many blocks in a row failed that the rest was not tried; the error to leave with.
    """

    interrupted: bool
    gave_up: HostError | None


@dataclass(frozen=True, slots=True)
class Job:
    """What every lane of a sweep is given.

    Attributes:
        setups: by name of the condition.
        directory: of the series.
        procedure: how measuring goes; a lane has a voice of its own.
        watch: makes the watcher of a block from its bench, its condition and a function that says how the whole
            stands.
        give_up_after: failures in a row.
        open_bench: reaches a board and its source.
        save: writes the series; called after every change, by one lane at a time or by several.
    """

    setups: Mapping[str, Setup]
    directory: Path
    procedure: Procedure
    watch: Watch
    give_up_after: int
    open_bench: Opener
    save: Callable[[], None]


class Lane:
    """Carries out the blocks of some boards. Use once, from one thread.

    Args:
        job: what is to be done.
        blocks: all of these boards, in order.
        say: one line on what happens next.
        stop: set from outside to end it as Ctrl-C does.
    """

    def __init__(self, job: Job, blocks: Sequence[BlockRecord], say: Say, stop: threading.Event) -> None:
        self._job, self._blocks, self._say, self._stop = job, blocks, say, stop
        self._proven: set[str] = set()
        self._board = ""
        self._ready: OpenBench | None = None
        self._stack = contextlib.ExitStack()
        self._clock = SeriesClock(len(blocks))
        self._last_failure, self._times_failed = "", 0

    def carry_out(self) -> Ended:
        """Measure what is missing.

        Raises:
            StoreError: the disk takes nothing more; blocks measured before are kept.
        """
        todo = self.todo()
        failed = 0
        try:
            for index, block in enumerate(todo):
                if self._stop.is_set():
                    return Ended(True, None)
                error = self._try(block, todo[index:])
                failed = failed + 1 if error is not None else 0
                if error is not None and failed >= self._job.give_up_after and index + 1 < len(todo):
                    return Ended(False, self._giving_up(error, failed, len(todo) - index - 1))
        except KeyboardInterrupt:
            return Ended(True, None)
        finally:
            self._close()
        return Ended(False, None)

    def todo(self) -> list[BlockRecord]:
        """The blocks that are missing."""
        return [block for block in self._blocks if block.state != "complete"]

    def progress(self) -> SeriesProgress:
        """Where these blocks stand now; safe to ask from another thread."""
        return self._clock.progress()

    def left_s(self, rest: Sequence[BlockRecord]) -> float:
        """Seconds these blocks will take."""
        return self._clock.pace.total_s([self._job.setups[block.condition] for block in rest])

    def _try(self, block: BlockRecord, rest: list[BlockRecord]) -> HostError | None:
        """Measure one block; gives back what it failed by."""
        self._clock.begin([self._job.setups[item.condition] for item in rest])
        try:
            measured = self._measure(block)
        except KeyboardInterrupt:
            self._note(block, "incomplete", "stopped by the user")
            raise
        except StoreError as error:
            # Noting it needs the same disk: the first error is the one to tell.
            with contextlib.suppress(StoreError):
                self._note(block, "failed", str(error))
            raise
        except HostError as error:
            self._note(block, "failed", str(error))
            self._say(f"{self._named(block, rest)}: {self._failure(error)}")
            with self._closing_quietly():
                self._close()
            return error
        self._clock.end(self._job.setups[block.condition])
        self._last_failure, self._times_failed = "", 0
        self._say(f"{self._named(block, rest)}: {block_words(measured.record)}")
        return None

    def _failure(self, error: HostError) -> str:
        """What a block failed by; in a row of blocks that fail alike the first tells it and the others count."""
        words = f"failed: {error}"
        again = words == self._last_failure
        self._last_failure, self._times_failed = words, self._times_failed + 1 if again else 1
        return f"failed as the one before, {self._times_failed} times now" if again else words

    def _named(self, block: BlockRecord, rest: Sequence[BlockRecord]) -> str:
        number = len(self._blocks) - len(rest) + 1
        return f"block {number}/{len(self._blocks)} {block.condition}"

    def _measure(self, block: BlockRecord) -> Measured:
        setup = self._job.setups[block.condition]
        ready = self._reach(setup)
        if setup.warm_up is not None:
            block.warm_up = f"{block.run}-warm-up"
            self._job.save()
            self._run(ready, with_seed(setup.warm_up, block.seed), block.warm_up, _unwatched)
        bench = with_seed(setup.bench, block.seed)
        with self._job.watch(bench, block.condition, self._clock.progress) as watch:
            measured = self._run(ready, bench, block.run, watch)
        self._note(block, "complete", "")
        return measured

    def _run(self, ready: OpenBench, bench: Bench, name: str, watch: Watcher) -> Measured:
        def stoppable(tally: Tally, batch: SourceBatch | None) -> None:
            if self._stop.is_set():
                raise KeyboardInterrupt
            watch(tally, batch)

        measured = ready.measure(
            bench, self._job.directory / name, stoppable, self._job.procedure.repeat, in_series=True
        )
        if measured.outcome.interrupted:
            raise KeyboardInterrupt
        if measured.outcome.error is not None:
            raise measured.outcome.error
        return measured

    def _reach(self, setup: Setup) -> OpenBench:
        if self._ready is None or self._board != setup.board:
            self._close()
            self._ready = self._stack.enter_context(
                self._job.open_bench(setup.bench, setup.board, self._say, self._job.procedure.bench_file)
            )
            self._board = setup.board
        if self._job.procedure.prove_wires and setup.board not in self._proven:
            self._ready.prove_wires()
            self._proven.add(setup.board)
        return self._ready

    def _close(self) -> None:
        self._ready = None
        self._stack.close()

    @contextlib.contextmanager
    def _closing_quietly(self) -> Iterator[None]:
        try:
            yield
        except HostError as error:
            self._say(f"closing the bench: {error}")

    def _note(self, block: BlockRecord, state: BlockState, reason: str) -> None:
        block.state, block.reason = state, reason
        self._job.save()

    def _giving_up(self, error: HostError, failed: int, untried: int) -> HostError:
        return type(error)(
            f"{failed} blocks failed in a row, {untried} were not tried; the last failed by: {error}",
            where=str(self._job.directory),
            remedy="put that right, then run the same command with --resume: only what is missing is measured",
        )


def _unwatched(*_: object) -> None:
    """A warm-up is short and shows nothing."""
