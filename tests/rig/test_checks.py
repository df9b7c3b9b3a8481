"""The checks that all rigs share, held against made-up logs: what is true passes, each kind of fault is seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from tests.rig.checks import check_edges, check_order, check_stamps, check_width
from tests.rig.client import FALL, FALL_LOST, LOST, RISE, STIMULUS, TIME_MARK, Record
from tests.rig.truth import WRAP, Edge, Truth

START = WRAP - 500  # ticks, so that the stamps pass 2**32
WIDTH = 40  # of a stimulus, in ticks


def log(stimuli: Sequence[int], rises: Sequence[int], falls: Sequence[int], cycles_per_tick: int = 1) -> Truth:
    """Edges at these cycles."""
    width = WIDTH * cycles_per_tick
    edges = [Edge(at + after, "stimulus", level) for at in stimuli for after, level in ((0, 1), (width, 0))]
    edges += [Edge(at, "response", level) for ats, level in ((rises, 1), (falls, 0)) for at in ats]
    return Truth(tuple(sorted(edges, key=lambda edge: edge.cycle)), cycles_per_tick, now=10_000, overruns=0)


def run(stimuli: Sequence[int], rises: Sequence[int], falls: Sequence[int]) -> list[Record]:
    """A run's records, with stamps at these ticks after its start."""
    at = [(STIMULUS, tick) for tick in stimuli] + [(RISE, tick) for tick in rises] + [(FALL, tick) for tick in falls]
    stamped = [(kind, (START + tick) % WRAP) for kind, tick in sorted(at, key=lambda record: record[1])]
    return [(TIME_MARK, START), *stamped, (TIME_MARK, (START + 3_000) % WRAP)]


TRUE = log((100, 900, 1_700), (150, 960, 1_790), (170, 980, 1_800))
RECORDS = run((100, 900, 1_700), (150, 960, 1_790), (170, 980, 1_800))


def test_true_stamps_pass() -> None:
    check_stamps(RECORDS, TRUE)
    check_order(RECORDS, 16_000_000)
    check_width(TRUE, WIDTH)


@pytest.mark.parametrize("number", range(1, 10))
@pytest.mark.parametrize("off", [-1, 1])
def test_one_tick_off_is_seen(number: int, off: int) -> None:
    kind, tick = RECORDS[number]
    with pytest.raises(AssertionError):
        check_stamps([*RECORDS[:number], (kind, (tick + off) % WRAP), *RECORDS[number + 1 :]], TRUE)


@pytest.mark.parametrize("number", range(11))
def test_a_record_that_is_missing_or_one_too_many_is_seen(number: int) -> None:
    for found in (RECORDS[:number] + RECORDS[number + 1 :], [*RECORDS[:number], (FALL_LOST, START), *RECORDS[number:]]):
        with pytest.raises(AssertionError):
            check_stamps(found, TRUE)


def test_what_was_lost_on_the_way_is_seen() -> None:
    with pytest.raises(AssertionError):
        check_stamps([*RECORDS[:5], (LOST, 1), *RECORDS[5:]], TRUE)
    with pytest.raises(AssertionError):
        check_stamps(RECORDS, replace(TRUE, overruns=1))
    with pytest.raises(AssertionError, match="no stimulus"):
        check_stamps([RECORDS[0], RECORDS[-1]], TRUE)


def test_the_timer_itself_is_looked_at_where_the_rig_logs_it() -> None:
    zero = 500 - 65_536  # the cycle, a whole wrap of the timer ago, at which START's count was zero
    check_stamps(RECORDS, replace(TRUE, tick_zero=zero))
    with pytest.raises(AssertionError, match="1 off, modulo 65536"):
        check_stamps(RECORDS, replace(TRUE, tick_zero=zero + 1))


@pytest.mark.parametrize(
    ("first", "rises"),
    [
        (200, (301, 302)),  # the first stimulus is at a whole tick: others come up to a cycle before their stamps
        (200, (302, 302)),
        (199, (302, 301)),  # the first stimulus is itself rounded up by a cycle
    ],
)
def test_a_tick_of_two_cycles_is_rounded_up(first: int, rises: tuple[int, int]) -> None:
    stimuli, falls = (first, first + 2_000), (400, 2_400)
    truth = log(stimuli, (rises[0], rises[1] + 2_000), falls, 2)
    check_edges(run((100, 1_100), (151, 1_151), (200, 1_200)), truth)
    check_width(truth, WIDTH)


@pytest.mark.parametrize("rises", [(300, 302), (304, 302), (301, 303)])
def test_a_stamp_before_its_edge_or_a_whole_tick_late_is_seen(rises: tuple[int, int]) -> None:
    truth = log((200, 2_200), (rises[0], rises[1] + 2_000), (400, 2_400), 2)
    with pytest.raises(AssertionError):
        check_edges(run((100, 1_100), (151, 1_151), (200, 1_200)), truth)


def test_a_stimulus_of_another_rounding_is_seen() -> None:
    with pytest.raises(AssertionError):
        check_edges(run((100, 1_100), (), ()), log((200, 2_199), (), (), 2))


def test_a_pulse_of_another_width_is_seen() -> None:
    with pytest.raises(AssertionError):
        check_width(TRUE, WIDTH + 1)
    stretched = tuple(replace(edge, cycle=edge.cycle + 1) if edge.cycle == 940 else edge for edge in TRUE.edges)
    with pytest.raises(AssertionError):
        check_width(replace(TRUE, edges=stretched), WIDTH)


def test_an_inverted_stimulus_begins_at_its_fall() -> None:
    levels = ((0, 1), (100, 0), (140, 1), (900, 0), (940, 1))  # the line goes to its idle level first
    truth = Truth(tuple(Edge(cycle, "stimulus", level) for cycle, level in levels), 1, now=10_000, overruns=0)
    records = run((100, 900), (), ())
    check_stamps(records, truth, leading=0)
    check_width(truth, WIDTH, leading=0)
    with pytest.raises(AssertionError):
        check_stamps(records, truth)
    before = (Edge(-300, "stimulus", 1), Edge(-200, "stimulus", 0))  # a pulse that is none of the run's
    check_stamps(records, replace(truth, edges=before + truth.edges), leading=0)


def test_records_out_of_order_and_marks_too_far_apart_are_seen() -> None:
    tick_hz = 16_000_000
    late = [(TIME_MARK, 0), (STIMULUS, 20_000), (RISE, 4_001), (TIME_MARK, tick_hz)]
    check_order(late, tick_hz)
    with pytest.raises(AssertionError):
        check_order([*late[:2], (RISE, 4_000), late[3]], tick_hz)
    with pytest.raises(AssertionError):
        check_order([*late[:3], (TIME_MARK, tick_hz + 1)], tick_hz)
    with pytest.raises(AssertionError):
        check_order(late, tick_hz - 1)
