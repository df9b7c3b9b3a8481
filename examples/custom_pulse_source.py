"""A pulse source of one's own: python examples/custom_pulse_source.py RUN_DIRECTORY"""

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from edgereply.measurement.measure import close_record
from edgereply.measurement.run import Run
from edgereply.sources.base import SourceBatch, SourceIdentity, StimulusPlan
from edgereply.storage.run_record import RunRecord, SourceRecord, now_iso
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.stamps import FALL, RISE, STIMULUS


class MadeUp:
    """See `PulseSource`. Talk to a real instrument where this one sleeps and makes up an answer 40 µs later."""

    identity = SourceIdentity(kind="made up", model="example", serial="1", firmware="1", tick_hz=1_000_000_000,
                              tolerance_ppm=100.0, captures=True, virtual=True)  # fmt: skip

    def arm(self, plan: StimulusPlan) -> StimulusPlan:
        self._batches = pulses(plan)
        return plan

    def read(self, timeout_s: float) -> SourceBatch | None:
        return next(self._batches, None)

    def start(self) -> None: ...
    def abort(self) -> None: ...
    def close(self) -> None: ...
    def level(self) -> int | None: ...


def pulses(plan: StimulusPlan) -> Iterator[SourceBatch]:
    kind = np.array([STIMULUS, RISE, FALL], np.uint8)
    for left in reversed(range(plan.count)):
        time.sleep(plan.period_ns * 1e-9)
        yield SourceBatch(kind=kind, at_ns=time.monotonic_ns() + np.array([0, 40_000, 55_000]), lost=0, done=not left)


if __name__ == "__main__":
    plan = (source := MadeUp()).arm(StimulusPlan(count=200, period_ns=1_000_000, floor_ns=0))
    record = RunRecord(tool="example", run_id="example", created=now_iso(), board="none", evidence="loop-back",
                       virtual=True, requested={}, source=SourceRecord(kind="made up"), window_ns=10**8)  # fmt: skip
    ended = Run(None, source, writer := RunWriter(Path(sys.argv[1]), record), plan, watch=lambda *_: None).execute()
    print(close_record(writer, ended).model_dump_json(include={"state", "counts"}))
