"""Known ways to get this firmware wrong: each is put in, and the checks of the other tests must see it."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.products import Change
from tests.rig.arrivals import Arrivals
from tests.rig.build import pulse_source
from tests.rig.checks import check_pulses, check_stamps, check_width, measured
from tests.rig.client import FALL, FALL_LOST, RISE, gaps, values
from tests.rig.firmware import Atmega328p
from tests.rig.rig import Responder, Rig

pytestmark = pytest.mark.rig

# The next leading edge is planned about 900 cycles after the one before it: these intervals are then one wrap away.
NEAR_WRAPS = Arrivals("UNIF", period="0.004155", spread="0.00002"), 1500
RANDOM = Arrivals(period="0.002"), 3000
ANSWERS = Responder(delay_min=200, delay_max=14_000, width=1_000)

# An overflow whose interrupt still waits is overlooked.
FLAG_IGNORED = ("timebase.h", "if (overflowed && count < 0x8000)", "if (overflowed && count > 0xffff)")
# A captured count is given the wraps of the time now, not of its own time.
AGE_IGNORED = (
    "capture.c",
    "return now - (uint16_t)((uint16_t)now - captured);",
    "return (now & 0xffff0000) | captured;",
)
# The wrap an edge belongs to taken as known before OCR1A stands.
ARMED_BEFORE = (
    "stimulus.c",
    "		armed = false;\n		arm_within_last_wrap();",
    "		armed = spare < 65536 - LEAST_LEAD_TICKS;\n"
    "		if (armed)\n			TCCR1A = leading ? to_active : to_idle;",
)
# No least distance between the count and the compare value.
NO_LEAD = ("stimulus.c", "#define LEAST_LEAD_TICKS 160", "#define LEAST_LEAD_TICKS 0")
SHORT_WIDTH = ("settings.h", "#define WIDTH_LEAST TICKS_FROM_US(30)", "#define WIDTH_LEAST TICKS_FROM_US(1)")
# A falling edge is expected without a look at the line.
NO_LOOK = (
    "capture.c",
    "		if (still_high && !again)\n			return;",
    "		if (still_high || !again)\n			return;",
)


def sound(source: tuple[Change, ...], run: tuple[Arrivals, int], width: int = 800) -> bool:
    """Whether a run on changed firmware passes the checks: stamps, pulse widths in ticks, intervals."""
    arrivals, count = run
    with Rig(source=pulse_source(*source), responder=ANSWERS) as rig:
        settings = [*arrivals.commands(), f"PULS:WIDT {width // 16} US", f"PULS:COUN {count}"]
        records = measured(rig, *settings)
        truth = rig.truth()
    try:
        check_stamps(records, truth)
        check_width(truth, width)
        assert gaps(records) == arrivals.intervals(count, Atmega328p.tick_hz)
    except AssertionError:
        return False
    return True


@pytest.mark.parametrize(
    ("fault", "run", "width"),
    [
        ((FLAG_IGNORED,), RANDOM, 800),
        ((AGE_IGNORED,), RANDOM, 800),
        ((ARMED_BEFORE,), NEAR_WRAPS, 800),
        ((NO_LEAD, SHORT_WIDTH), (Arrivals(), 200), 128),
    ],
    ids=["flag ignored", "age ignored", "armed before", "no lead"],
)
def test_a_known_fault_is_seen(fault: tuple[Change, ...], run: tuple[Arrivals, int], width: int) -> None:
    assert not sound(fault, run, width)


@pytest.mark.parametrize("run", [RANDOM, NEAR_WRAPS], ids=["random", "near wraps"])
def test_the_firmware_passes_where_the_faults_fail(run: tuple[Arrivals, int]) -> None:
    assert sound((), run)


def test_without_a_look_at_the_line_a_short_answer_gets_a_wrong_fall() -> None:
    responder = Responder(delay_min=1_000, width=20)
    settings = ["PULS:COUN 100"]
    with Rig(source=pulse_source(NO_LOOK), responder=responder) as rig:
        records = measured(rig, *settings)
        truth = rig.truth()
    with pytest.raises(AssertionError):
        check_pulses(records, truth.cycles("response", 1), truth.cycles("response", 0))
    with Rig(responder=responder) as rig:
        records = measured(rig, *settings)
        truth = rig.truth()
        check_pulses(records, truth.cycles("response", 1), truth.cycles("response", 0))
    assert len(values(records, RISE)) == len(values(records, FALL_LOST)) + len(values(records, FALL)) == 100


def test_two_short_answers_close_together_are_never_taken_for_one_long_one() -> None:
    """The second rises while the first one's interrupt is on its way."""
    for gap in range(2, 60, 3):
        responder = Responder(delay_min=1_000, width=14, twice_every=1, gap=gap)
        with Rig(responder=responder) as rig:
            records = measured(rig, "PULS:COUN 20")
            truth = rig.truth()
        rises, falls = truth.cycles("response", 1), truth.cycles("response", 0)
        pairs = pairwise(records)
        widths = {(b[1] - a[1]) % (1 << 32) for a, b in pairs if (a[0], b[0]) == (RISE, FALL)}
        assert widths <= {fall - rise for rise, fall in zip(rises, falls, strict=True)}, gap
