"""Every stamp of the RP2040 firmware against the truth log, every interval against the documented generator."""

from __future__ import annotations

import pytest

from tests.rig.arrivals import Arrivals
from tests.rig.checks import measured
from tests.rig.client import FALL, FALL_LOST, RISE, STIMULUS, TIME_MARK, Client, gaps, values
from tests.rig.packages import RigError
from tests.rig.truth import WRAP
from tests.rp2040.build import firmware
from tests.rp2040.checks import check_no_wrong_number, check_stamps, errors_of
from tests.rp2040.rig import CYCLES_PER_TICK, TICK_HZ, Responder, Rp2040Rig

pytestmark = pytest.mark.rig

SPREAD_OUT = Responder(delay_min=200, delay_max=110_000, width=7_001)


def widths(rig: Rp2040Rig, leading: int = 1) -> set[int]:
    truth = rig.truth()
    starts, ends = truth.cycles("stimulus", leading), truth.cycles("stimulus", 1 - leading)
    ends = [end for end in ends if end > starts[0]]
    return {end - start for start, end in zip(starts, ends, strict=True)}


@pytest.mark.parametrize(
    ("settings", "width", "count"),
    [
        (["PULS:PER 2 MS"], 6_250, 400),
        (["PULS:PER 1.5 MS", "PULS:WIDT 30 US", "PULS:ARR:SEED 77"], 3_750, 200),
        (["PULS:ARR UNIF", "PULS:PER 2 MS", "PULS:ARR:SPR 0.9 MS", "PULS:ARR:SEED 5"], 6_250, 200),
        (["PULS:ARR PER", "PULS:PER 1.000016 MS"], 6_250, 100),
        (["PULS:PER 12 MS", "PULS:WIDT 10 MS", "PULS:ARR:FLO 11 MS"], 1_250_000, 30),
    ],
)
def test_every_stamp_is_true(settings: list[str], width: int, count: int) -> None:
    with Rp2040Rig(responder=SPREAD_OUT) as rig:
        records = measured(rig, *settings, f"PULS:COUN {count}")
        check_stamps(records, rig.truth())
        assert [len(values(records, kind)) for kind in (STIMULUS, RISE, FALL)] == [count] * 3
        assert widths(rig) == {width}


def test_ticks_stay_true_past_their_32_bits() -> None:
    """2**32 ticks are 68.7 s: the firmware lets them wrap half a second after its start. Stamps go on modulo 2**32."""
    with Rp2040Rig(responder=SPREAD_OUT) as rig:
        records = measured(rig, "PULS:COUN 300", "PULS:ARR UNIF", "PULS:PER 4 MS", "PULS:ARR:SPR 3 MS")
        check_stamps(records, rig.truth())
    stamps = values(records, STIMULUS)
    assert stamps[-1] < stamps[0], "the ticks did not wrap"


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
            assert errors_of(stimuli, edges, origin) == [0, 0], number
            assert edges[1] - edges[0] == CYCLES_PER_TICK * PERIOD_TICKS, number
            assert errors_of(values(records, RISE), rises, origin) in ([1, 1], [-1, -1]), number
            assert errors_of(values(records, FALL), falls, origin) in ([1, 1], [-1, -1]), number
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


@pytest.mark.parametrize(
    ("pattern", "seed", "period", "floor", "spread", "count"),
    [
        ("PER", 9, "0.0002", "0.001", "0.001", 300),
        ("UNIF", 4294967295, "0.0033333", "0.001", "0.0032333", 200),
        ("UNIF", 3, "0.001", "0.001", "0", 50),
        ("EXP", 1, "0.002", "0.001", "0.001", 500),
        ("EXP", 4294967295, "0.0012345", "0.0001", "0.001", 500),
        ("EXP", 12345, "0.5", "0.0001", "0.001", 6),
    ],
)
def test_each_interval_is_the_documented_one(
    pattern: str, seed: int, period: str, floor: str, spread: str, count: int
) -> None:
    arrivals = Arrivals(pattern, seed, period, floor, spread)
    with Rp2040Rig() as rig:
        records = measured(rig, *arrivals.commands(), "PULS:WIDT 30 US", f"PULS:COUN {count}")
        check_stamps(records, rig.truth())
        assert widths(rig) == {3_750}
    assert gaps(records) == arrivals.intervals(count, TICK_HZ)


def test_edges_a_long_way_off_wait_for_their_time() -> None:
    """The machine compares 32 bits, 68.7 s: nothing is handed to it sooner than half of that; here 1 ms."""
    shorter = ("stimulus.c", "#define MOST_LEAD_TICKS (1ull << 31)", "#define MOST_LEAD_TICKS (1ull << 16)")
    arrivals = Arrivals(period="0.02")
    with Rp2040Rig(folder=firmware(shorter), responder=SPREAD_OUT) as rig:
        records = measured(rig, *arrivals.commands(), "PULS:COUN 40")
        check_stamps(records, rig.truth())
    assert gaps(records) == arrivals.intervals(40, TICK_HZ)


def test_random_arrivals_at_two_thousand_a_second_lose_no_record() -> None:
    """Bursts of intervals down to 0.1 ms, each stimulus answered at once."""
    with Rp2040Rig(responder=Responder(delay_min=100, delay_max=4_000, width=2_000)) as rig:
        records = measured(rig, "PULS:PER 0.5 MS", "PULS:ARR:FLO 0.1 MS", "PULS:WIDT 30 US", "PULS:COUN 1000")
        check_stamps(records, rig.truth())
        assert len(values(records, FALL)) == 1000


def test_inverted_stimulus() -> None:
    with Rp2040Rig(responder=Responder(inverted=1, width=7_000)) as rig:
        records = measured(rig, "PULS:POL INV", "PULS:PER 2 MS", "PULS:COUN 60", "PULS:WIDT 100 US")
        truth = rig.truth()
        check_stamps(records, truth, leading=0)
        assert len(values(records, RISE)) == 60
        assert widths(rig, 0) == {12_500}
        assert truth.cycles("stimulus", 1)[0] < truth.cycles("stimulus", 0)[0], "idle is high"


def test_missed_and_double_answers_are_as_on_the_wire() -> None:
    answers = Responder(delay_min=8_000, width=6_400, miss_every=7, twice_every=5, gap=6_400)
    with Rp2040Rig(responder=answers) as rig:
        records = measured(rig, "PULS:PER 2 MS", "PULS:COUN 70")
        check_stamps(records, rig.truth())
        assert len(values(records, RISE)) == 70 - 70 // 7 + (70 // 5 - 70 // 35)


def test_a_late_answer_is_captured_for_100_ms_after_the_last_stimulus() -> None:
    for delay, expected in ((12_100_000, 1), (13_300_000, 0)):
        with Rp2040Rig(responder=Responder(delay_min=delay, delay_max=delay, width=6_000)) as rig:
            records = measured(rig, "PULS:COUN 1")
            stamp, end = values(records, STIMULUS)[0], values(records, TIME_MARK)[-1]
            assert len(values(records, RISE)) == expected
            assert 6_250_000 <= (end - stamp) % WRAP < 6_312_500


def test_answers_down_to_one_tick_have_both_stamps_and_shorter_ones_no_wrong_one() -> None:
    for width in (1, 2, 3, 4, 5, 7, 12, 50):
        with Rp2040Rig(responder=Responder(delay_min=300, delay_max=40_000, width=width, seed=width)) as rig:
            records = measured(rig, "PULS:PER 1 MS", "PULS:ARR:FLO 0.5 MS", "PULS:COUN 60")
            truth = rig.truth()
        rises, falls_lost = check_no_wrong_number(records, truth)
        assert falls_lost == 0
        assert len(values(records, FALL)) == rises
        if width >= CYCLES_PER_TICK:
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
