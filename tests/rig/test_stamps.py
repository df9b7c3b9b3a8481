"""Every stamp of the firmware against the truth log, and every interval against the documented generator."""

from __future__ import annotations

import pytest

from tests.rig.arrivals import Arrivals, ticks
from tests.rig.build import changed_source
from tests.rig.checks import check_order, check_stamps, measured
from tests.rig.client import FALL, RISE, STIMULUS, TIME_MARK, gaps, values
from tests.rig.rig import Responder, Rig

pytestmark = pytest.mark.rig

SPREAD_OUT = Responder(delay_min=200, delay_max=14_000, width=1_000)


def check_width(rig: Rig, width: int, *, leading: int = 1) -> None:
    """No pulse was stretched or cut: one that misses its trailing compare lasts a whole wrap longer."""
    truth = rig.truth()
    starts, ends = truth.cycles("stimulus", leading), truth.cycles("stimulus", 1 - leading)
    if leading == 0:
        starts = starts[-len(ends) :] if len(starts) > len(ends) else starts
        ends = ends[-len(starts) :]
    assert {end - start for start, end in zip(starts, ends, strict=True)} == {width}


@pytest.mark.parametrize(
    ("settings", "responder", "count"),
    [
        (["PULS:PER 5 MS"], SPREAD_OUT, 3000),
        (["PULS:PER 5 MS", "PULS:WIDT 30 US", "PULS:ARR:SEED 77"], SPREAD_OUT, 1500),
        # Around one and two wraps of the 16-bit timer (4.096 ms), where arming is delicate.
        (["PULS:ARR UNIF", "PULS:PER 4.096 MS", "PULS:ARR:SPR 0.1 MS"], SPREAD_OUT, 2000),
        (["PULS:ARR UNIF", "PULS:PER 8.192 MS", "PULS:ARR:SPR 0.1 MS", "PULS:ARR:SEED 5"], SPREAD_OUT, 1000),
        (["PULS:ARR UNIF", "PULS:PER 4.155 MS", "PULS:ARR:SPR 0.02 MS"], SPREAD_OUT, 2000),
        (["PULS:ARR PER", "PULS:PER 4.096 MS"], SPREAD_OUT, 300),
        (["PULS:ARR PER", "PULS:PER 4.0960625 MS"], SPREAD_OUT, 300),
        (["PULS:ARR PER", "PULS:PER 4.0959375 MS"], SPREAD_OUT, 300),
        # Many wraps, and a pulse that is itself longer than two.
        (["PULS:PER 50 MS", "PULS:WIDT 10 MS", "PULS:ARR:FLO 11 MS"], SPREAD_OUT, 300),
    ],
)
def test_every_stamp_is_true(settings: list[str], responder: Responder, count: int) -> None:
    with Rig(responder=responder) as rig:
        records = measured(rig, *settings, f"PULS:COUN {count}")
        check_stamps(records, rig.truth())
        check_order(records)
        assert [len(values(records, kind)) for kind in (STIMULUS, RISE, FALL)] == [count] * 3
        width = next((ticks(f"{s.split()[1]}e-6") for s in settings if "US" in s and "WIDT" in s), 800)
        check_width(rig, 160_000 if "PULS:WIDT 10 MS" in settings else width)


def test_ticks_stay_true_past_their_32_bits() -> None:
    """2**32 ticks are 268 s: this firmware starts 0.5 s before they wrap. Stamps go on modulo 2**32."""
    source = changed_source(("timebase.c", "uint16_t timebase_wraps;", "uint16_t timebase_wraps = 65536 - 122;"))
    with Rig(responder=SPREAD_OUT, source=source) as rig:
        records = measured(rig, "PULS:COUN 400", "PULS:ARR UNIF", "PULS:ARR:SPR 4 MS")
        check_stamps(records, rig.truth())
        stamps = values(records, STIMULUS)
        assert stamps[-1] < stamps[0], "the ticks did not wrap"


@pytest.mark.parametrize(
    ("pattern", "seed", "period", "floor", "spread", "count"),
    [
        ("PER", 1, "0.005", "0.001", "0.001", 300),
        ("PER", 9, "0.0002", "0.001", "0.001", 300),
        ("UNIF", 1, "0.005", "0.001", "0.001", 1000),
        ("UNIF", 4294967295, "0.0033333", "0.001", "0.0032333", 1000),
        ("UNIF", 3, "2", "0.001", "1.9999", 20),
        ("UNIF", 3, "0.001", "0.001", "0", 100),
        ("EXP", 1, "0.005", "0.001", "0.001", 3000),
        ("EXP", 4294967295, "0.0012345", "0.0001", "0.001", 2000),
        ("EXP", 2463534242, "0.005", "0.005", "0.001", 100),
        ("EXP", 12345, "0.5", "0.0001", "0.001", 60),
    ],
)
def test_each_interval_is_the_documented_one(
    pattern: str, seed: int, period: str, floor: str, spread: str, count: int
) -> None:
    arrivals = Arrivals(pattern, seed, period, floor, spread)
    with Rig() as rig:
        records = measured(rig, *arrivals.commands(), "PULS:WIDT 30 US", f"PULS:COUN {count}")
        check_stamps(records, rig.truth())
        check_width(rig, 480)
    assert gaps(records) == arrivals.intervals(count)


def test_a_seed_starts_the_same_pattern_in_every_run() -> None:
    with Rig() as rig:
        first, second = (measured(rig, "PULS:COUN 50", "PULS:ARR:SEED 42") for _ in range(2))
    assert len(gaps(first)) == 50
    assert gaps(first) == gaps(second)


def test_two_thousand_stimuli_a_second_lose_no_record() -> None:
    count = 3000
    with Rig(responder=Responder(delay_min=160, delay_max=4_000, width=800)) as rig:
        records = measured(
            rig, "PULS:PER 0.5 MS", "PULS:ARR:FLO 0.1 MS", "PULS:WIDT 30 US", "PULS:ARR PER", f"PULS:COUN {count}"
        )
        truth = rig.truth()
    check_stamps(records, truth)
    check_order(records)
    stamps = values(records, STIMULUS)
    assert (stamps[-1] - stamps[0]) % (1 << 32) == (count - 1) * 8_000
    assert len(values(records, RISE)) == len(values(records, FALL)) == count


def test_random_arrivals_at_two_thousand_a_second_lose_no_record() -> None:
    """Bursts of intervals down to 0.2 ms; answers come at once, so that none falls into the next interval."""
    with Rig(responder=Responder(delay_min=160, delay_max=1_200, width=800)) as rig:
        records = measured(rig, "PULS:PER 0.5 MS", "PULS:ARR:FLO 0.2 MS", "PULS:WIDT 30 US", "PULS:COUN 3000")
        check_stamps(records, rig.truth())
        check_order(records)
        assert len(values(records, FALL)) == 3000


def test_inverted_stimulus() -> None:
    with Rig(responder=Responder(inverted=1, width=800)) as rig:
        records = measured(rig, "PULS:POL INV", "PULS:COUN 300", "PULS:WIDT 100 US")
        truth = rig.truth()
        check_stamps(records[:], truth, leading=0)
        assert len(values(records, RISE)) == 300
        check_width(rig, 1_600, leading=0)
        assert truth.cycles("stimulus", 1)[0] < truth.cycles("stimulus", 0)[0], "idle is high"


def test_missed_and_double_answers_are_as_on_the_wire() -> None:
    with Rig(responder=Responder(delay_min=1_000, width=800, miss_every=7, twice_every=5, gap=800)) as rig:
        records = measured(rig, "PULS:COUN 350")
        check_stamps(records, rig.truth())
        both = 350 // 35
        assert len(values(records, RISE)) == 350 - 350 // 7 + (350 // 5 - both)


def test_a_late_answer_is_captured_for_100_ms_after_the_last_stimulus() -> None:
    for delay, expected in ((1_550_000, 1), (1_700_000, 0)):
        with Rig(responder=Responder(delay_min=delay, delay_max=delay, width=800)) as rig:
            records = measured(rig, "PULS:COUN 1")
            stamp, end = values(records, STIMULUS)[0], values(records, TIME_MARK)[-1]
            assert len(values(records, RISE)) == expected
            assert 1_600_000 <= (end - stamp) % (1 << 32) < 1_616_000
