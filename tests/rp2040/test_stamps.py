"""Stamps and intervals of the RP2040 firmware, and the moments at which its counters pass zero."""

from __future__ import annotations

import pytest

from tests.conformance.firmware import Answer
from tests.conformance.stamps import StampSuite, Timing
from tests.rig.any_rig import RigError
from tests.rig.arrivals import Arrivals
from tests.rig.checks import check_stamps, errors_of, measured
from tests.rig.client import FALL, FALL_LOST, RISE, STIMULUS, Client, gaps, values
from tests.rig.truth import WRAP
from tests.rp2040.build import firmware
from tests.rp2040.checks import check_no_wrong_number
from tests.rp2040.firmware import Rp2040
from tests.rp2040.rig import TICK_HZ, Responder, Rp2040Rig

pytestmark = pytest.mark.rig

SPREAD_OUT = Responder(delay_min=200, delay_max=110_000, width=7_001)


class TestRp2040(Rp2040, StampSuite):
    timings = (
        Timing(("PULS:PER 2 MS",), 400),
        Timing(("PULS:PER 1.5 MS", "PULS:ARR:SEED 77"), 200, width_us=30),
        Timing(("PULS:ARR UNIF", "PULS:PER 2 MS", "PULS:ARR:SPR 0.9 MS", "PULS:ARR:SEED 5"), 200),
        Timing(("PULS:ARR PER", "PULS:PER 1.000016 MS"), 100),
        Timing(("PULS:PER 12 MS", "PULS:ARR:FLO 11 MS"), 30, width_us=10_000),
    )
    arrivals = (
        (Arrivals("PER", 9, "0.0002"), 300),
        (Arrivals("UNIF", 4294967295, "0.0033333", spread="0.0032333"), 200),
        (Arrivals("UNIF", 3, "0.001", spread="0"), 50),
        (Arrivals("EXP", 1, "0.002"), 500),
        (Arrivals("EXP", 4294967295, "0.0012345", "0.0001"), 500),
        (Arrivals("EXP", 12345, "0.5", "0.0001"), 6),
    )
    # Without a change: this firmware lets its ticks wrap (68.7 s) half a second after its start.
    wraps_soon = ()
    burst = ("0.1 MS", Answer(0.8, 32, 16))


# Each run begins so that the counters pass zero FIRST + its number ticks later.
ZERO_IN_EACH_RUN = (
    (
        "timebase.c",
        "static uint64_t ticks_at(",
        "static uint64_t shift;\nstatic uint32_t runs;\n\nstatic uint64_t ticks_at(",
    ),
    ("timebase.c", "return TICKS_AT_START + us", "return TICKS_AT_START + shift + us"),
    (
        "timebase.c",
        "	return ticks_at(microseconds() + us);",
        "	uint64_t at = microseconds() + us;\n"
        "	shift += (8ull << 32) - FIRST - runs++ - ticks_at(at);\n"
        "	return ticks_at(at);",
    ),
    ("run.c", "(100 * TICKS_PER_MS)", "(1 * TICKS_PER_MS)"),  # as nothing answers late here
)
PERIOD_TICKS = 12_500


def zero_passed(first: int, runs: int, *faults: tuple[str, str, str]) -> None:
    """Two stimuli a run, answered 25 ticks later by a pulse of 13 ticks; all stamps of all runs are checked."""
    changes = [(name, before, after.replace("FIRST", str(first))) for name, before, after in ZERO_IN_EACH_RUN]
    answers = Responder(delay_min=51, delay_max=51, width=26)
    settings = ["PULS:ARR PER", "PULS:PER 200 US", "PULS:COUN 2", "OUTP ON"]
    with Rp2040Rig(folder=firmware(*changes, *faults), responder=answers) as rig, Client(rig.port) as client:
        client.set(*settings)
        for number in range(runs):
            records = client.read()
            truth = rig.truth()
            if (records[0][1] + first + number) % WRAP:
                raise RigError("zero is not where it should be")
            edges, rises, falls = (
                truth.cycles(signal, level)[-2:]
                for signal, level in (("stimulus", 1), ("response", 1), ("response", 0))
            )
            stimuli = values(records, STIMULUS)
            assert (stimuli[0] - records[0][1]) % WRAP == PERIOD_TICKS
            origin = stimuli[0], edges[0]
            assert errors_of(stimuli, edges, origin, truth) == [0, 0], number
            assert edges[1] - edges[0] == Rp2040Rig.cycles_per_tick * PERIOD_TICKS, number
            assert errors_of(values(records, RISE), rises, origin, truth) in ([1, 1], [-1, -1]), number
            assert errors_of(values(records, FALL), falls, origin, truth) in ([1, 1], [-1, -1]), number
            assert len(records) == 8, number


@pytest.mark.parametrize(("first", "runs"), [(0, 250), (PERIOD_TICKS - 30, 90)], ids=["hand-over", "edges"])
def test_the_counters_may_pass_zero_at_any_moment(first: int, runs: int) -> None:
    """A jump that counts X down does not jump at zero: every loop must go on as if it had, to the cycle."""
    zero_passed(first, runs)


@pytest.mark.parametrize(
    "fault",
    [
        ("programs.h", "#define RISES_WRAP_TO (RISES + 7)", "#define RISES_WRAP_TO (RISES + 6)"),
        ("programs.h", "#define FALLS_WRAP_TO (FALLS + 7)", "#define FALLS_WRAP_TO (FALLS + 6)"),
        (
            "programs.h",
            "	JMP_X_DEC(TOGGLER + 8),                                                  \\\n",
            "	JMP_X_DEC(TOGGLER + 9),                                                  \\\n",
        ),
    ],
    ids=["rises", "falls", "toggler"],
)
def test_a_loop_of_another_length_is_seen(fault: tuple[str, str, str]) -> None:
    with pytest.raises(AssertionError):
        zero_passed(PERIOD_TICKS - 30, 90, fault)


def test_edges_a_long_way_off_wait_for_their_time() -> None:
    """The machine compares 32 bits, 68.7 s: nothing is handed to it sooner than half of that; here 1 ms."""
    shorter = ("stimulus.c", "#define MOST_LEAD_TICKS (1ull << 31)", "#define MOST_LEAD_TICKS (1ull << 16)")
    arrivals = Arrivals(period="0.02")
    with Rp2040Rig(folder=firmware(shorter), responder=SPREAD_OUT) as rig:
        records = measured(rig, *arrivals.commands(), "PULS:COUN 40")
        check_stamps(records, rig.truth())
    assert gaps(records) == arrivals.intervals(40, TICK_HZ)


def test_answers_down_to_one_tick_have_both_stamps_and_shorter_ones_no_wrong_one() -> None:
    for width in (1, 2, 3, 4, 5, 7, 12, 50):
        with Rp2040Rig(responder=Responder(delay_min=300, delay_max=40_000, width=width, seed=width)) as rig:
            records = measured(rig, "PULS:PER 1 MS", "PULS:ARR:FLO 0.5 MS", "PULS:COUN 60")
            truth = rig.truth()
        rises, falls_lost = check_no_wrong_number(records, truth)
        assert falls_lost == 0
        assert len(values(records, FALL)) == rises
        if width >= Rp2040Rig.cycles_per_tick:
            check_stamps(records, truth)
        else:
            assert 10 < rises < 50, "half of these fall between two looks"


def test_answers_close_to_each_other_are_true_or_said_to_be_lost() -> None:
    """A dip shorter than the 2 cycles between two looks may go unseen; any longer one is seen."""
    found = {}
    for gap in (2, 3, 4, 5, 6, 7, 8, 10, 20):
        answers = Responder(delay_min=300, delay_max=40_000, width=5, twice_every=1, gap=gap, seed=gap)
        with Rp2040Rig(responder=answers) as rig:
            records = measured(rig, "PULS:PER 1 MS", "PULS:ARR:FLO 0.5 MS", "PULS:COUN 40")
            truth = rig.truth()
        check_no_wrong_number(records, truth)
        found[gap] = len(values(records, RISE)), len(values(records, FALL)), len(values(records, FALL_LOST))
    print(found)
    assert found[20] == (80, 80, 0)
