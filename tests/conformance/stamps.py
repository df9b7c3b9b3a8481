"""Every stamp of a firmware against its rig's log, and every interval against the documented generator."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import pytest

from tests.conformance.firmware import Answer, FirmwareSuite
from tests.products import Change
from tests.rig.any_rig import AnyRig
from tests.rig.arrivals import Arrivals, ticks
from tests.rig.checks import check_order, check_stamps, check_width, measured
from tests.rig.client import FALL, RISE, STIMULUS, TIME_MARK, Record, gaps, values
from tests.rig.truth import WRAP


@dataclass(frozen=True, slots=True)
class Timing:
    """A run of which each stimulus is answered once."""

    settings: tuple[str, ...]
    count: int
    width_us: int = 50

    @property
    def name(self) -> str:
        return " ".join(self.settings)

    def commands(self) -> list[str]:
        return [*self.settings, f"PULS:WIDT {self.width_us} US", f"PULS:COUN {self.count}"]


class StampSuite(FirmwareSuite):
    """Tests any firmware in its rig.

    Attributes:
        timings: what is delicate about the chip's timers.
        arrivals: patterns whose every interval is held against the documented one, and the count.
        wraps_soon: changes to the firmware that let the ticks pass 2**32 about half a second after its start.
        burst: least interval and answer of random stimuli at 2000 a second, so that no answer falls into the next
            interval.
    """

    timings: ClassVar[tuple[Timing, ...]]
    arrivals: ClassVar[tuple[tuple[Arrivals, int], ...]]
    wraps_soon: ClassVar[tuple[Change, ...]] = ()
    burst: ClassVar[tuple[str, Answer]]

    def pytest_generate_tests(self, metafunc: pytest.Metafunc) -> None:
        """Lets a chip choose the runs of two tests."""
        if "timing" in metafunc.fixturenames:
            metafunc.parametrize("timing", self.timings, ids=[timing.name for timing in self.timings])
        if "arrivals" in metafunc.fixturenames:
            names = [f"{a.pattern} {a.seed} {a.period} {a.floor} {a.spread}" for a, _ in self.arrivals]
            metafunc.parametrize(("arrivals", "count"), self.arrivals, ids=names)

    def checked(self, rig: AnyRig, *settings: str) -> list[Record]:
        """Returns: the records of the rig's first run, each of them true and in order."""
        records = measured(rig, *settings)
        check_stamps(records, rig.truth())
        check_order(records, self.tick_hz)
        return records

    def test_every_stamp_is_true(self, timing: Timing) -> None:
        with self.rig(self.spread_out()) as rig:
            records = self.checked(rig, *timing.commands())
            assert [len(values(records, kind)) for kind in (STIMULUS, RISE, FALL)] == [timing.count] * 3
            check_width(rig.truth(), self.tick_hz * timing.width_us // 1_000_000)

    def test_ticks_stay_true_past_their_32_bits(self) -> None:
        """They wrap half a second after the start; stamps go on modulo 2**32."""
        with self.rig(self.spread_out(), *self.wraps_soon) as rig:
            records = self.checked(rig, "PULS:COUN 400", "PULS:ARR UNIF", "PULS:ARR:SPR 4 MS")
        stamps = values(records, STIMULUS)
        assert stamps[-1] < stamps[0], "the ticks did not wrap"

    def test_each_interval_is_the_documented_one(self, arrivals: Arrivals, count: int) -> None:
        with self.rig() as rig:
            records = self.checked(rig, *arrivals.commands(), "PULS:WIDT 30 US", f"PULS:COUN {count}")
            check_width(rig.truth(), ticks("0.00003", self.tick_hz))
        assert gaps(records) == arrivals.intervals(count, self.tick_hz)

    def test_a_seed_starts_the_same_pattern_in_every_run(self) -> None:
        with self.rig() as rig:
            first, second = (measured(rig, "PULS:COUN 50", "PULS:ARR:SEED 42") for _ in range(2))
        assert len(gaps(first)) == 50
        assert gaps(first) == gaps(second)

    def test_two_thousand_stimuli_a_second_lose_no_record(self) -> None:
        count = 600 * self.thorough
        settings = ["PULS:PER 0.5 MS", "PULS:ARR:FLO 0.1 MS", "PULS:WIDT 30 US", "PULS:ARR PER"]
        with self.rig(Answer(10, 250, 50)) as rig:
            records = self.checked(rig, *settings, f"PULS:COUN {count}")
        stamps = values(records, STIMULUS)
        assert (stamps[-1] - stamps[0]) % WRAP == (count - 1) * self.tick_hz // 2_000
        assert len(values(records, RISE)) == len(values(records, FALL)) == count

    def test_random_arrivals_at_two_thousand_a_second_lose_no_record(self) -> None:
        """Bursts of the least intervals; answers come at once, so that none falls into the next interval."""
        floor, answer = self.burst
        count = 1_000 * self.thorough
        with self.rig(answer) as rig:
            records = self.checked(
                rig, "PULS:PER 0.5 MS", f"PULS:ARR:FLO {floor}", "PULS:WIDT 30 US", f"PULS:COUN {count}"
            )
        assert len(values(records, FALL)) == count

    def test_inverted_stimulus(self) -> None:
        count = 60 * self.thorough
        with self.rig(Answer(width=50, inverted=True)) as rig:
            records = measured(rig, "PULS:POL INV", f"PULS:COUN {count}", "PULS:WIDT 100 US")
            truth = rig.truth()
        check_stamps(records, truth, leading=0)
        assert len(values(records, RISE)) == count
        check_width(truth, self.tick_hz // 10_000, leading=0)
        assert truth.cycles("stimulus", 1)[0] < truth.cycles("stimulus", 0)[0], "idle is high"

    def test_missed_and_double_answers_are_as_on_the_wire(self) -> None:
        count = 70 * self.thorough
        with self.rig(Answer(62.5, 1000, 50, gap=50, miss_every=7, twice_every=5)) as rig:
            records = self.checked(rig, f"PULS:COUN {count}")
        both = count // 35
        assert len(values(records, RISE)) == count - count // 7 + (count // 5 - both)

    def test_a_late_answer_is_captured_for_100_ms_after_the_last_stimulus(self) -> None:
        for delay_us, expected in ((96_875, 1), (106_250, 0)):
            with self.rig(Answer(delay_us, delay_us, 50)) as rig:
                records = measured(rig, "PULS:COUN 1")
            stamp, end = values(records, STIMULUS)[0], values(records, TIME_MARK)[-1]
            assert len(values(records, RISE)) == expected
            assert self.tick_hz // 10 <= (end - stamp) % WRAP < self.tick_hz // 1_000 * 101
