"""The host's own driver on a firmware (virtual): all that any source must do, and true times."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from edgereply.sources.arrivals import intervals
from edgereply.sources.base import PulseSource, SourceBatch, StimulusPlan
from edgereply.sources.reference import ReferenceSource
from edgereply.storage.stamps import FALL, RISE, STIMULUS
from tests.conformance.firmware import Answer, FirmwareSuite
from tests.conformance.pulse_source import PulseSourceSuite, whole_run
from tests.rig.any_rig import AnyRig
from tests.rig.checks import check_edges
from tests.rig.client import Record, values

RANDOM = StimulusPlan(
    pattern="exponential",
    period_ns=2_000_000,
    width_ns=50_000,
    count=300,
    floor_ns=1_000_000,
    spread_ns=0,
    seed=11,
    inverted=False,
)


def in_ticks(batch: SourceBatch, tick_hz: int) -> list[Record]:
    """Returns: a batch as a firmware would send it; the host gives each tick in nanoseconds, rounded down."""
    ticks = (-(-int(ns) * tick_hz // 1_000_000_000) for ns in batch.at_ns)
    return list(zip(batch.kind.tolist(), ticks, strict=True))


class ReferenceSourceSuite(FirmwareSuite, PulseSourceSuite):
    """Tests the driver with any firmware in its rig."""

    kind = "reference"
    patience_s = 120.0
    powered: AnyRig

    @contextlib.contextmanager
    def opened(self) -> Iterator[PulseSource]:
        with self.rig() as self.powered, contextlib.closing(ReferenceSource(self.powered.port)) as source:
            yield source

    @contextlib.contextmanager
    def answered(self, source: PulseSource) -> Iterator[None]:
        self.powered.respond(Answer(100, 100, 100).rule(self.powered.clock_hz))
        yield

    def test_the_host_reads_true_times(self) -> None:
        plan = replace(RANDOM, count=RANDOM.count * self.thorough)
        with self.rig(self.spread_out()) as rig:
            with contextlib.closing(ReferenceSource(rig.port)) as source:
                identity = source.identity
                assert (identity.model, identity.tick_hz) == (self.model, self.tick_hz)
                assert identity.tolerance_ppm == float(self.tolerance_ppm)
                assert identity.captures
                batch = whole_run(source, plan, self.patience_s)
            truth = rig.truth()
        assert batch.lost == 0
        records = in_ticks(batch, self.tick_hz)
        assert [len(values(records, kind)) for kind in (STIMULUS, RISE, FALL)] == [plan.count] * 3
        check_edges(records, truth)
        due = intervals(plan, self.tick_hz, plan.count)[1:]
        assert np.diff(values(records, STIMULUS)).tolist() == due.tolist()
