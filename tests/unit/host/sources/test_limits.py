"""A stimulus that the source cannot send is refused in the words of the bench file."""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgereply.errors import SettingError
from edgereply.sources.base import StimulusPlan
from edgereply.sources.limits import check_plan, refuse_pairs, with_gaps

PLAN = StimulusPlan(
    pattern="exponential", period_ns=5_000_000, width_ns=50_000, count=10, floor_ns=1_000_000, spread_ns=0, seed=1
)


@pytest.mark.parametrize(
    ("change", "where", "said"),
    [
        ({"period_ns": 1_000}, "stimulus.rate", "cannot send 1,000,000/s.*give 0.01667/s to 5,000/s"),
        ({"period_ns": 10**12}, "stimulus.rate", "cannot send 0.001/s.*give 0.01667/s"),
        ({"width_ns": 1_000}, "stimulus.width", "1us is out of range.*give 30us to 10ms"),
        ({"floor_ns": 10}, "stimulus.floor", "10ns is out of range.*give 100us to 5ms"),
        ({"width_ns": 2_000_000}, "stimulus.width", "2ms does not fit into intervals of 1ms.*give at most 950us"),
    ],
)
def test_the_setting_is_named_as_it_was_written(change: dict[str, int], where: str, said: str) -> None:
    check_plan(PLAN)
    with pytest.raises(SettingError, match=said) as caught:
        check_plan(replace(PLAN, **change))  # type: ignore[arg-type]
    assert caught.value.where == where


PAIRS = replace(PLAN, pattern="pairs")


def test_gaps_that_are_left_out_are_the_sources_shortest_and_half_the_mean_interval() -> None:
    found = with_gaps(PAIRS, 20_000, "a source")
    assert (found.shortest_gap_ns, found.longest_gap_ns) == (20_000, 2_500_000)
    check_plan(found)
    assert with_gaps(PLAN, 20_000, "a source") is PLAN


@pytest.mark.parametrize(
    ("change", "where", "said"),
    [
        ({"shortest_gap_ns": 19_999}, "stimulus.shortest_gap", "a source cannot send.*give 20us to 2500us"),
        ({"shortest_gap_ns": 2_600_000}, "stimulus.shortest_gap", "give 20us to 2500us"),
        ({"longest_gap_ns": 2_600_000}, "stimulus.longest_gap", "2600us is out of range.*give 20us to 2500us"),
        ({"shortest_gap_ns": 50_000, "longest_gap_ns": 40_000}, "stimulus.longest_gap", "give 50us to 2500us"),
    ],
)
def test_gaps_that_the_source_cannot_do_are_refused(change: dict[str, int], where: str, said: str) -> None:
    with pytest.raises(SettingError, match=said) as caught:
        with_gaps(replace(PAIRS, **change), 20_000, "a source")  # type: ignore[arg-type]
    assert caught.value.where == where


def test_sources_that_cannot_place_edges_say_why() -> None:
    refuse_pairs(PLAN, "an adapter", "it is slow")
    with pytest.raises(SettingError, match=r"an adapter cannot send pairs: it is slow.*'reference'"):
        refuse_pairs(PAIRS, "an adapter", "it is slow")
