"""The host's own driver on the RP2040 firmware: identity, stamps in nanoseconds, records, clock (virtual)."""

from __future__ import annotations

import contextlib

import numpy as np
import pytest

from edgereply.sources.arrivals import intervals
from edgereply.sources.base import StimulusPlan
from edgereply.sources.reference import ReferenceSource
from edgereply.storage.stamps import FALL, RISE, STIMULUS
from tests.conformance.pulse_source import whole_run
from tests.rp2040.rig import CYCLE_NS, TICK_HZ, Responder, Rp2040Rig

pytestmark = pytest.mark.rig

PLAN = StimulusPlan(
    pattern="exponential",
    period_ns=2_000_000,
    width_ns=50_000,
    count=300,
    floor_ns=1_000_000,
    spread_ns=0,
    seed=11,
    inverted=False,
)


def test_the_host_reads_true_times() -> None:
    answers = Responder(delay_min=400, delay_max=110_000, width=7_001)
    with Rp2040Rig(responder=answers) as rig:
        with contextlib.closing(ReferenceSource(rig.port)) as source:
            identity = source.identity
            assert (identity.model, identity.tick_hz, identity.tolerance_ppm) == ("rp2040", TICK_HZ, 50)
            assert identity.captures
            batch = whole_run(source, PLAN, 120)
        truth = rig.truth()
    kind, at_ns = batch.kind, batch.at_ns
    assert batch.lost == 0
    edges = {
        STIMULUS: truth.cycles("stimulus", 1),
        RISE: truth.cycles("response", 1),
        FALL: truth.cycles("response", 0),
    }
    first_ns = int(at_ns[kind == STIMULUS][0])
    for of, cycles in edges.items():
        true_ns = (np.array(cycles) - edges[STIMULUS][0]) * CYCLE_NS
        late_ns = at_ns[kind == of] - first_ns - true_ns
        assert len(late_ns) == PLAN.count
        # A stamp is the first look at or after the edge, and a look comes every 16 ns.
        assert np.abs(late_ns).max() <= CYCLE_NS
        if of == STIMULUS:
            assert not late_ns.any()
    due = np.cumsum(intervals(PLAN, TICK_HZ, PLAN.count)[1:])
    assert (np.diff(at_ns[kind == STIMULUS]).cumsum() == due * 16).all()
