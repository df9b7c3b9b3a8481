"""A stimulus that the source cannot send is refused in the words of the bench file."""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgereply.errors import SettingError
from edgereply.sources.base import StimulusPlan
from edgereply.sources.limits import check_plan

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
