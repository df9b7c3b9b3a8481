"""Known ways to get this firmware wrong: each is put in, and the checks of the other tests must see it."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.products import Change
from tests.rig.any_rig import RigError
from tests.rig.arrivals import Arrivals
from tests.rig.checks import check_stamps
from tests.rig.client import STIMULUS, TIME_MARK, Client, gaps, values
from tests.rig.truth import WRAP
from tests.rp2040.build import firmware
from tests.rp2040.checks import check_no_wrong_number
from tests.rp2040.rig import TICK_HZ, Responder, Rp2040Rig

pytestmark = pytest.mark.rig

# The main loop is away for 25 ms at a time: nothing is planned meanwhile, and edges come due that are not planned.
AWAY = (
    "main.c",
    "		watchdog_feed();\n",
    "		watchdog_feed();\n"
    "		for (uint32_t from = TIMER_RAW_LOW; TIMER_RAW_LOW - from < 25000;)\n"
    '			asm volatile("wfi");\n',
)
# Of emulated time: 60 ms of stimuli, longer by what the main loop is away, and 100 ms for late answers; 0.4 s in all.
RUN_S = 1.0
NO_LEAD = (
    "stimulus.c",
    "#define LEAST_LEAD_TICKS TICKS_FROM_US(10)",
    "#define LEAST_LEAD_TICKS (-TICKS_FROM_US(9000))",
)
NO_GAP = ("stimulus.c", "\t\tif (earliest < latest + pulse_width + LEAST_GAP_TICKS)\n", "\t\tif (earliest < latest)\n")
SEEN_LATER = ("programs.h", "#define TICKS_TO_SEE_OWN_EDGE 3", "#define TICKS_TO_SEE_OWN_EDGE 4")
GAPS_IGNORED = ("capture.c", "	if (gaps)\n", "	if (gaps && rises.count > 200)\n")


def late_plan(*faults: Change) -> None:
    """Stimuli that are planned too late come as soon as they can, are stamped when they come, and keep their order."""
    with Rp2040Rig(folder=firmware(AWAY, *faults)) as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:ARR PER", "PULS:PER 1 MS", "PULS:COUN 60")
        records = client.read(over=rig.after(RUN_S))
        truth = rig.truth()
    check_stamps(records, truth)
    stamps = values(records, STIMULUS)
    start = values(records, TIME_MARK)[0]
    late = [(stamp - start - (number + 1) * 62_500) % WRAP for number, stamp in enumerate(stamps)]
    assert len(stamps) == 60
    assert max(late) < WRAP // 2, "an edge before its time"
    assert max(late) > 62_500, "nothing was late: the test tests nothing"
    assert 0 in late
    assert min((b - a) % WRAP for a, b in pairwise(stamps)) >= 3_125 + 1_250  # the width and 20 us


def test_stimuli_planned_too_late_come_as_soon_as_they_can() -> None:
    late_plan()


@pytest.mark.parametrize("fault", [NO_LEAD, NO_GAP], ids=["no lead", "no gap"])
def test_a_fault_in_handing_late_edges_over_is_seen(fault: Change) -> None:
    """The machine waits for a tick that is gone, until its 32 bits come round to it 68.7 s later; only marks come."""
    with pytest.raises(RigError, match="the run has not ended in time"):
        late_plan(fault)


def first_interval(*faults: Change) -> None:
    with Rp2040Rig(folder=firmware(*faults)) as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:COUN 3")
        records = client.read()
        check_stamps(records, rig.truth())
    assert gaps(records) == Arrivals().intervals(3, TICK_HZ)


def test_an_edge_thought_to_be_seen_later_than_it_is_moves_the_first_interval() -> None:
    first_interval()
    with pytest.raises(AssertionError):
        first_interval(SEEN_LATER)


def oscillation(*faults: Change) -> None:
    answers = Responder(delay_min=500, delay_max=500, width=25, gap=25, bursts=60)
    with Rp2040Rig(folder=firmware(*faults), responder=answers) as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:COUN 20", "PULS:ARR PER")
        records = client.read()
        truth = rig.truth()
    check_no_wrong_number(records, truth)


def test_a_gap_that_is_overlooked_pairs_a_rise_with_the_fall_of_another_pulse() -> None:
    oscillation()
    with pytest.raises(AssertionError):
        oscillation(GAPS_IGNORED)
