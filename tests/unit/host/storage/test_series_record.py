from collections import Counter
from pathlib import Path

import pytest

from edgereply.errors import DataError
from edgereply.measurement.interleaved import conditions_of
from edgereply.storage.series_record import SeriesRecord, load_series, plan_blocks, save_series


def test_each_round_has_each_condition_once_and_one_seed_of_arrivals() -> None:
    blocks = plan_blocks(["a", "b", "c"], 20, order_seed=3, arrival_seed=2**32 - 3)
    for number in range(1, 21):
        of_round = [block for block in blocks if block.round == number]
        assert sorted(block.condition for block in of_round) == ["a", "b", "c"]
        assert len({block.seed for block in of_round}) == 1
    assert [block.round for block in blocks] == sorted(block.round for block in blocks)
    assert all(1 <= block.seed <= 2**32 - 1 for block in blocks)
    assert len({block.seed for block in blocks}) == 20
    assert len({block.run for block in blocks}) == 60


def test_the_order_is_random_but_repeats_with_its_seed() -> None:
    blocks = plan_blocks(["a", "b", "c"], 300, order_seed=3, arrival_seed=1)
    assert blocks == plan_blocks(["a", "b", "c"], 300, order_seed=3, arrival_seed=1)
    assert blocks != plan_blocks(["a", "b", "c"], 300, order_seed=4, arrival_seed=1)
    firsts = Counter(block.condition for block in blocks[::3])
    assert all(60 < count < 140 for count in firsts.values())


def test_conditions_are_named_by_what_differs() -> None:
    assert list(conditions_of(["chardev", "gpiod"], ["block"], ["agent"])) == ["chardev", "gpiod"]
    assert list(conditions_of(["chardev"], ["block", "spin"], ["agent"])) == ["chardev-block", "chardev-spin"]


def record() -> SeriesRecord:
    return SeriesRecord(
        tool="t", created="2026-01-01", board="gate", order_seed=1,
        conditions={"a": {"route": "chardev", "wait": "block"}}, blocks=plan_blocks(["a"], 2, 1, 1),
    )  # fmt: skip


def test_a_series_is_read_back(tmp_path: Path) -> None:
    save_series(tmp_path / "series", record())
    assert load_series(tmp_path / "series") == record()


@pytest.mark.parametrize("text", ["", "{}", '{"format": 99}', "[1]"])
def test_a_damaged_series_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "series.json").write_text(text)
    with pytest.raises(DataError, match=r"series\.json"):
        load_series(tmp_path)


def test_no_series_there(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="not a series"):
        load_series(tmp_path)
