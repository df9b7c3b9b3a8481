"""The host's own driver on the real firmware, with a bare-metal board answering."""

from __future__ import annotations

import pytest

from edgereply.sources.base import StimulusPlan
from edgereply.sources.reference import ReferenceSource
from tests.conformance.pulse_source import whole_run
from tests.rig.checks import differing
from tests.rig.client import RISE, STIMULUS
from tests.rig.rig import Rig

pytestmark = pytest.mark.rig

PLAN = StimulusPlan(
    pattern="exponential",
    period_ns=3_000_000,
    width_ns=50_000,
    count=1_000,
    floor_ns=1_000_000,
    spread_ns=0,
    seed=11,
    inverted=False,
)


def test_the_host_reads_true_times() -> None:
    with Rig(board="lookup") as rig:
        source = ReferenceSource(rig.port)
        try:
            assert source.identity.model == "atmega328p"
            assert source.identity.captures
            batch = whole_run(source, PLAN)
        finally:
            source.close()
        truth = rig.truth()
    kind, at_ns = batch.kind, batch.at_ns
    assert batch.lost == 0
    # 62.5 ns a tick, rounded down by the host
    stimuli, rises = ([-(-int(ns) * 2 // 125) for ns in at_ns[kind == of]] for of in (STIMULUS, RISE))
    assert len(stimuli) == len(rises) == PLAN.count
    offset = stimuli[0] - truth.cycles("stimulus", 1)[0]
    assert differing(stimuli, truth.cycles("stimulus", 1), offset) == []
    assert differing(rises, truth.cycles("response", 1), offset) == []
