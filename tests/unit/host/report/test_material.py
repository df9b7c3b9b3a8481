import tomllib
from pathlib import Path

import numpy as np
import pytest

from edgereply.comparison.permanent_settings import FINAL
from edgereply.errors import DataError, SettingError
from edgereply.report import material
from edgereply.report.document import page
from edgereply.report.material import load_material
from edgereply.storage.series_record import SeriesRecord, save_series
from tests.fakes.made_runs import TICK_NS, random_stimuli, ticking_board
from tests.fakes.told_runs import save_run, save_sweep


def quiet(line: str) -> None:
    """Says nothing."""


def test_a_run_comes_with_its_verdict_and_its_period(tmp_path: Path) -> None:
    # 16384 cycles at 16 MHz, as in test_explaining.
    run = save_run(tmp_path / "tick", *ticking_board(20_000, 3))
    [view] = load_material([run], 10_000, quiet).views
    assert view.judged == "fail"
    assert view.judgement[0].startswith("FAIL: the deadline of 10 µs")
    [fold] = view.folds
    assert abs(fold.period_ns / TICK_NS - 1) < 50e-6
    assert (int(fold.stimuli.sum()), int(fold.late.sum())) == (20_000, int(view.late().sum()))
    said = " ".join(view.findings)
    assert "Late answers come every 1.024" in said
    assert "peak" in said


def test_a_tolerated_share_is_judged_on_the_page_as_on_the_terminal(tmp_path: Path) -> None:
    run = save_run(tmp_path / "tick", *ticking_board(20_000, 3))
    [view] = load_material([run], 10_000, quiet, exceed=0.2).views
    assert view.judged == "pass"
    assert view.judgement[0] == "PASS: the deadline of 10 µs is kept; at most the tolerated 20 % come late."
    with pytest.raises(SettingError, match="strictly within"):
        load_material([run], 10_000, quiet, exceed=2.0)


def test_a_long_run_is_explained_by_a_stretch_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(material, "MOST_EXPLAINED", 10_000)
    run = save_run(tmp_path / "tick", *ticking_board(20_000, 3))
    [view] = load_material([run], 10_000, quiet).views
    assert int(view.folds[0].stimuli.sum()) == 10_000
    assert any("the first 10,000 stimuli" in line for line in view.findings)


def test_a_series_gives_its_conditions_compared_round_by_round(tmp_path: Path) -> None:
    said: list[str] = []
    material = load_material([save_sweep(tmp_path / "night")], None, said.append)
    assert [view.title for view in material.views] == [
        "block-200_per_s", "block-500_per_s", "spin-200_per_s", "spin-500_per_s",
    ]  # fmt: skip
    assert material.title == "A night"
    assert len(said) == 4
    first = material.views[0]
    assert (first.stimuli, first.pooled, first.virtual) == (1800, 6, True)
    assert first.axes == {"wait": "block", "rate": "200/s"}
    assert first.condition_requested["seed"] == "1, 2, 3, 4, 5, 6, a round each"
    assert any("not measured" in line for line in first.cautions)
    assert material.comparison.places[0].entry.rounds == (1, 2, 3, 4, 5, 6)
    # Rounds one after the other: time never runs back, and no gap is longer than an interval.
    assert set(np.diff(first.stimulus_ns).tolist()) == {5_000_000}
    text = page(material.views, material.comparison, material.title)
    for part in ("Against rate", "Compared: wait and rate. Also different: nothing.", "wait block, 200/s"):
        assert part in text
    assert "≠ " not in text
    assert "like for like</th>" not in text


def test_a_sweep_s_page_says_what_a_setting_bought_and_how_to_keep_it(tmp_path: Path) -> None:
    material = load_material([save_sweep(tmp_path / "night", rounds=9)], None, quiet)
    assert material.advice is not None
    assert [item.conditions for item in material.advice.contrasts] == [
        ("block-200_per_s", "spin-200_per_s"), ("block-500_per_s", "spin-500_per_s"),
    ]  # fmt: skip
    text = page(material.views, material.comparison, material.title, material.advice)
    # Block answers in about 100 µs, spin in 50, whatever else.
    for part in (
        "What each setting changes",
        "wait spin instead of wait block (rate 200/s)",
        "median 50",
        "To keep wait spin",
    ):
        assert part in text
    assert FINAL in text
    alone = load_material([tmp_path / "night" / "r01-block-200_per_s"], None, quiet)
    assert alone.advice is None
    assert "What each setting changes" not in page(alone.views)


def test_runs_of_one_name_are_told_apart(tmp_path: Path) -> None:
    stimulus = random_stimuli(200, 1)
    runs = [save_run(tmp_path / name, stimulus, np.full(200, 40_000)) for name in ("one", "two")]
    runs.append(save_run(tmp_path / "three", stimulus, np.full(200, 40_000), "spin"))
    titles = [view.title for view in load_material(runs, None, quiet).views]
    assert titles == ["gate · virtual · block · one", "gate · virtual · block · two", "gate · virtual · spin"]


def test_what_repeats_a_run_stands_on_its_page(tmp_path: Path) -> None:
    run = save_run(tmp_path / "run", random_stimuli(200, 1), np.full(200, 40_000))
    material = load_material([run], None, quiet)
    assert tomllib.loads(material.views[0].bench)["stimulus"]["seed"] == 20
    text = page(material.views, material.comparison, material.title)
    assert "edgereply measure --bench bench.toml" in text
    assert "seed = 20" in text
    assert "edgereply test" in text


def test_a_run_without_stimuli_is_shown_as_what_it_is(tmp_path: Path) -> None:
    nothing = np.empty(0, np.int64)
    [view] = load_material([save_run(tmp_path / "run", nothing, nothing)], None, quiet).views
    assert (view.judged, list(view.judgement), list(view.findings)) == ("", [], [])
    assert "Nothing was measured." in page([view])


def test_a_series_without_a_block_is_refused(tmp_path: Path) -> None:
    record = SeriesRecord(tool="t", created="c", board="gate", order_seed=1, conditions={"a": {}}, blocks=[])
    save_series(tmp_path / "empty", record)
    with pytest.raises(DataError, match="no block is complete"):
        load_material([tmp_path / "empty"], None, quiet)


def test_what_differs_besides_has_a_column_of_its_own(tmp_path: Path) -> None:
    stimulus = random_stimuli(200, 1)
    runs = [
        save_run(tmp_path / wait, stimulus, np.full(200, 40_000), wait, in_effect={"wait": wait}, tool=tool)
        for wait, tool in (("block", "edgereply 1"), ("spin", "edgereply 2"))
    ]
    material = load_material(runs, None, quiet)
    text = page(material.views, material.comparison, material.title)
    assert "like for like</th>" in text
    assert "<td>≠ tool</td>" in text
    assert "Not like A: tool edgereply 2 (A: edgereply 1)." in text
