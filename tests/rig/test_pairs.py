"""Which answer belongs to which stimulus, by the firmware's own stamps, against the rig's log of its pins."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.pairing.alignment import align
from edgereply.analysis.pairing.assignment import pair_by_rows
from edgereply.analysis.pairing.one_clock import pair
from edgereply.analysis.pairing.result import Status
from tests.rig.checks import unwrapped
from tests.rig.client import RISE, STIMULUS, TIME_MARK, Client, Record, values
from tests.rig.rig import Responder, Rig
from tests.rig.truth import CYCLE_NS, Truth

pytestmark = pytest.mark.rig

COUNT = 600
WINDOW_NS = 100_000_000
# Cycles of 62.5 ns: 0.1 to 0.4 ms; and a board that is two stimuli behind, 10.0 to 10.35 ms.
QUICK = Responder(delay_min=1_600, delay_max=6_400)
LOADED = Responder(delay_min=160_000, delay_max=165_600)


def recorded(responder: Responder) -> tuple[list[Record], Truth]:
    """A run of the firmware, and what its pins did."""
    with Rig(responder=responder) as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:PER 5 MS", "PULS:ARR:FLO 0.5 MS", f"PULS:COUN {COUNT}")
        return client.read(), rig.truth()


def in_ns(stamps: list[int], origin: int) -> Int64s:
    """Ticks of 62.5 ns as nanoseconds since the run's first mark."""
    return np.array([tick * 125 // 2 for tick in unwrapped(stamps, origin)], np.int64)


def answers_of(truth: Truth) -> Int64s:
    """Per stimulus the number of its answer, by the pins: the responder answers in order and lets none go."""
    stimuli, rises = truth.cycles("stimulus", 1), truth.cycles("response", 1)
    assert len(stimuli) == len(rises) == COUNT
    assert all(rise > stimulus for stimulus, rise in zip(stimuli, rises, strict=True))
    return np.arange(COUNT)


@pytest.mark.parametrize("responder", [QUICK, LOADED], ids=["quick", "loaded"])
def test_every_pair_is_the_true_one_though_stamps_are_lost_and_added(responder: Responder) -> None:
    records, truth = recorded(responder)
    origin = values(records, TIME_MARK)[0]
    stimulus, every = (in_ns(values(records, kind), origin) for kind in (STIMULUS, RISE))
    own = answers_of(truth)
    behind = sum(
        a > b for a, (_, b) in zip(truth.cycles("response", 1), pairwise(truth.cycles("stimulus", 1)), strict=False)
    )
    assert (behind > 100) == (responder is LOADED)
    # The board's clock: 80 ppm fast, hours away, stamps late by 2 to 20 us. 3 % of the rises and 2 % of the rows are
    # lost on the way, 1 % of the rows are of edges from elsewhere.
    random = np.random.default_rng(4)
    edge, output = (
        np.array(truth.cycles(signal, 1)) * CYCLE_NS * (1 + 80e-6) + 3e13 for signal in ("stimulus", "response")
    )
    edge = edge + 2_000 + random.gamma(2.0, 1_500.0, COUNT)
    rows = np.flatnonzero(random.random(COUNT) >= 0.02)
    strange = np.sort(random.uniform(edge[0], edge[-1], COUNT // 100))
    edges = np.concatenate((edge[rows], strange))
    outputs = np.concatenate((output[rows] - 1_500, strange + 40_000_000_000))
    order = np.argsort(edges, kind="stable")
    edge_ns, set_ns = (np.rint(column[order]).astype(np.int64) for column in (edges, outputs))
    heard = np.flatnonzero(random.random(COUNT) >= 0.03)
    rise = every[heard]
    true_rise = np.where(np.isin(own, heard), every[own], -1)

    alignment = align(stimulus, edge_ns)
    assert alignment.refusal is None, alignment.reason
    found = pair_by_rows((stimulus, rise, rise + 50_000), WINDOW_NS, alignment, set_ns)
    assert found is not None
    paired = found.status == Status.PAIRED
    assert (found.rise_ns[paired] == true_rise[paired]).all()
    # Without its row and slow, an answer is not told from a stray.
    has_row = np.isin(np.arange(COUNT), rows)
    assert (paired | (true_rise < 0))[has_row].all()
    assert np.count_nonzero(paired) >= 0.98 * np.count_nonzero(true_rise >= 0)


def test_every_pair_by_the_source_alone_is_the_true_one() -> None:
    """A board that is not behind; 3 % of its answers were lost."""
    records, truth = recorded(QUICK)
    origin = values(records, TIME_MARK)[0]
    stimulus, every = (in_ns(values(records, kind), origin) for kind in (STIMULUS, RISE))
    own = answers_of(truth)
    heard = np.flatnonzero(np.random.default_rng(5).random(COUNT) >= 0.03)
    rise = every[heard]
    found = pair(stimulus, rise, rise + 50_000, WINDOW_NS)
    paired = found.status == Status.PAIRED
    true_rise = np.where(np.isin(own, heard), every[own], -1)
    assert (found.rise_ns[paired] == true_rise[paired]).all()
    assert np.count_nonzero(paired) >= 0.97 * heard.size
