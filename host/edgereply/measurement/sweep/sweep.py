"""Measures the blocks of a sweep that are missing: boards that share nothing at the same time, others in turns."""

import contextlib
import threading
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from edgereply.measurement.measure import Procedure, Say, opened
from edgereply.measurement.sweep.conditions import Setup
from edgereply.measurement.sweep.lane import Ended, Job, Lane, Opener, Watch
from edgereply.measurement.sweep.lanes import lanes
from edgereply.storage.series_record import BlockRecord, SeriesRecord, save_series
from edgereply.system.interrupts import handled_by, hold_back_interrupts
from edgereply.wording.progress import SeriesProgress

_LOOK_S = 0.2


class Sweep:
    """Carries a sweep out. Use once, from one thread.

    Args:
        record: the series; written after every change.
        setups: by name of the condition.
        directory: of the series.
        procedure: how measuring goes.
        watch: see `Job`; used by the threads of several boards.
        give_up_after: failures in a row, by boards that take turns.
        open_bench: reaches a board and its source.
        at_once: boards that share neither source nor computer are measured at the same time.
    """

    def __init__(
        self,
        record: SeriesRecord,
        setups: Mapping[str, Setup],
        directory: Path,
        procedure: Procedure,
        watch: Watch,
        give_up_after: int,
        open_bench: Opener = opened,
        at_once: bool = True,
    ) -> None:
        self._record, self._directory, self._say = record, directory, procedure.say
        self._lock, self._stop = threading.Lock(), threading.Event()
        job = Job(setups, directory, procedure, watch, give_up_after, open_bench, self._save)
        self._lanes = {
            names: Lane(job, blocks, self._speaker(names if len(plan) > 1 else ""), self._stop)
            for plan in [lane_blocks(record.blocks, setups, at_once)]
            for names, blocks in plan.items()
        }

    @property
    def lanes(self) -> list[str]:
        """Boards that take turns, by lane."""
        return list(self._lanes)

    def left_s(self) -> float:
        """Seconds until all that is missing is measured, as far as can be told."""
        return max((lane.left_s(lane.todo()) for lane in self._lanes.values()), default=0.0)

    def progress(self) -> SeriesProgress:
        """Where all of it stands now, as long as the boards that need longest still take."""
        longest = max((lane.progress() for lane in self._lanes.values()), key=lambda one: one.left_s or 0.0)
        blocks = self._record.blocks
        done = sum(block.state == "complete" for block in blocks)
        return replace(longest, number=done, total=len(blocks), side_by_side=True)

    def carry_out(self) -> Ended:
        """Measure what is missing.

        Raises:
            StoreError: the disk takes nothing more; blocks measured before are kept.
        """
        if len(self._lanes) == 1:
            return next(iter(self._lanes.values())).carry_out()
        endings: dict[str, Ended] = {}
        troubles: list[BaseException] = []
        threads = [
            threading.Thread(target=self._carry_out_lane, args=(name, lane, endings, troubles), name=name)
            for name, lane in self._lanes.items()
        ]
        with self._stopped_by_signals():
            for thread in threads:
                thread.start()
            for thread in threads:
                # A signal that another thread took wakes nobody: its handler runs when this one looks.
                while thread.is_alive():
                    thread.join(_LOOK_S)
        if troubles:
            raise troubles[0]
        gave_up = [ended.gave_up for ended in endings.values() if ended.gave_up is not None]
        return Ended(any(ended.interrupted for ended in endings.values()), gave_up[0] if gave_up else None)

    def _carry_out_lane(self, name: str, lane: Lane, endings: dict[str, Ended], troubles: list[BaseException]) -> None:
        # What a terminal sends on Ctrl-C is for the main thread; programs started here inherit that.
        hold_back_interrupts()
        try:
            endings[name] = ended = lane.carry_out()
        except BaseException as error:
            # A full disk or a fault of ours ends the others too; it is raised where the sweep was called.
            troubles.append(error)
            self._stop.set()
            return
        if ended.gave_up is not None:
            self._say(f"{name}: {ended.gave_up.message}")

    @contextlib.contextmanager
    def _stopped_by_signals(self) -> Iterator[None]:
        """Signals set `_stop` instead of raising: an exception in the middle of waiting would leave threads behind."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return

        with handled_by(lambda _number, _frame: self._stop.set()):
            yield

    def _speaker(self, names: str) -> Say:
        return (lambda line: self._say(f"{names}: {line}")) if names else self._say

    def _save(self) -> None:
        with self._lock:
            save_series(self._directory, self._record)


def lane_blocks(blocks: list[BlockRecord], setups: Mapping[str, Setup], at_once: bool) -> dict[str, list[BlockRecord]]:
    """The blocks of each lane, by the names of its boards."""
    benches = {setup.board: setup.bench for setup in setups.values()}
    plan = lanes(benches) if at_once else [list(benches)]
    return {
        " and ".join(names): [block for block in blocks if setups[block.condition].board in names] for names in plan
    }
