"""What a run gives to a program: tables, verdicts, pictures, and errors that say what to do."""

from __future__ import annotations

import gc
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import edgereply
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.exchange.bundle.collect import collect
from edgereply.exchange.bundle.pack import stage, write_archive
from edgereply.exchange.bundle.redact import Redactor
from edgereply.exchange.export.export_runs import export
from edgereply.storage.run_reader import RunReader
from tests.fakes.saved_runs import HOLES, save_run
from tests.fakes.told_runs import save_sweep


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """60 stimuli, two of them without an answer, one in twenty-five late."""
    place = tmp_path_factory.mktemp("api") / "run"
    save_run(place)
    return place


@pytest.fixture(scope="module")
def series(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two waits at two rates, six rounds."""
    return save_sweep(tmp_path_factory.mktemp("api") / "night")


def bundle(output: Path, place: Path) -> None:
    redactor = Redactor((), local=False)
    output.with_suffix(".stage").mkdir()
    write_archive(stage(collect([place], redactor), redactor, output.with_suffix(".stage"), lambda line: None), output)


def test_answers_are_the_table_that_export_writes(run: Path, tmp_path: Path) -> None:
    answers = edgereply.open_run(run).answers()
    export([run], "parquet", "pairs", tmp_path / "t.parquet", lambda rows: None)
    assert answers.to_arrow().equals(pq.read_table(tmp_path / "t.parquet"))
    assert len(answers) == 60
    assert pa.table(answers).equals(answers.to_arrow())


def test_answers_in_other_libraries_keep_whole_nanoseconds_and_what_is_missing(run: Path, tmp_path: Path) -> None:
    """Stamps beyond 2 ** 53 ns, against the raw stamps."""
    save_run(tmp_path / "far", start_ns=10**17)
    raw = RunReader(tmp_path / "far").source()
    answers = edgereply.open_run(tmp_path / "far").answers()
    arrays = answers.to_numpy()
    assert arrays["stimulus_ns"].dtype == np.int64
    assert arrays["stimulus_ns"].tolist() == raw.stimulus_ns.tolist()
    assert np.flatnonzero(arrays["rise_ns"].mask).tolist() == list(HOLES)
    told = [None if value == NO_STAMP else int(value) for value in raw.rise_ns]
    assert arrays["rise_ns"].tolist() == told
    frame = answers.to_pandas()["rise_ns"]
    assert [None if missing else value for value, missing in zip(frame, frame.isna(), strict=True)] == told
    assert answers.to_polars()["rise_ns"].to_list() == told
    assert answers.reaction_ns.tolist() == (raw.rise_ns - raw.stimulus_ns)[raw.rise_ns != NO_STAMP].tolist()
    assert arrays["late"].dtype == np.bool_
    assert set(arrays["status"].tolist()) == {"paired", "missed"}


def test_a_library_that_is_not_there_is_named(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "polars", None)
    with pytest.raises(edgereply.SettingError, match="polars is not installed; pip install polars"):
        edgereply.open_run(run).answers().to_polars()


def test_a_verdict_may_be_asserted_and_says_why(run: Path) -> None:
    opened = edgereply.open_run(run)
    verdict = opened.verdict("2ms")
    assert not verdict
    assert (verdict.outcome, verdict.passed, verdict.virtual) == ("fail", False, True)
    assert repr(verdict).startswith("<fail: FAIL: the deadline of 2")
    assert repr(verdict).endswith("(virtual)>")
    assert opened.verdict(2_000_000).as_dict() == verdict.as_dict() == opened.verdict().as_dict()
    assert opened.verdict("20ms", "20%").passed
    assert opened.verdict("20ms", 0.2).as_dict() == opened.verdict("20ms", "20%").as_dict()


@pytest.mark.parametrize(
    ("deadline", "exceed", "words"),
    [("2", None, "such as 2ms"), (-1, None, "is not a time"), (2.0, None, "is not a time"),
     ("2ms", "x", "not a share"), ("2ms", 2.0, "exceed")],
)  # fmt: skip
def test_a_deadline_that_is_none_is_refused(run: Path, deadline: str | int, exceed: str | float, words: str) -> None:
    with pytest.raises(edgereply.SettingError, match=words):
        edgereply.open_run(run).verdict(deadline, exceed)


def test_a_run_that_was_cut_off_has_its_figures_all_the_same(tmp_path: Path) -> None:
    save_run(tmp_path / "cut", finish=False)
    opened = edgereply.open_run(tmp_path / "cut")
    assert opened.state == "running"
    assert opened.summary["stimuli"] == opened.counts["stimuli"] == len(opened.answers()) > 50
    assert opened.as_dict()["reaction"]["count"] == len(opened.answers().reaction_ns)


def test_pictures_are_files_and_a_notebook_shows_table_and_picture(run: Path, series: Path, tmp_path: Path) -> None:
    opened = edgereply.open_run(run)
    picture = opened.figure("over-time")
    assert picture.save(tmp_path / "x.png", "300x200").read_bytes().startswith(b"\x89PNG")
    assert picture.to_bytes("pdf").startswith(b"%PDF")
    for thing, words in ((opened, ["virtual", "not kept"]), (edgereply.open_series(series), ["virtual", "D: spin"])):
        page = thing._repr_html_()
        assert "<table>" in page
        assert 'src="data:image/svg+xml;base64,' in page
        assert "<script" not in page
        assert all(word in page for word in words), page[:500]
    with pytest.raises(edgereply.SettingError, match=r"unknown 'bar'.*distribution"):
        opened.figure("bar")
    with pytest.raises(edgereply.SettingError, match="no figure 'rates'"):
        opened.figure("rates")
    with pytest.raises(edgereply.SettingError, match="unknown 'gif'"):
        picture.save(tmp_path / "x.gif")
    assert "<p>Virtual.</p>" in opened.verdict()._repr_html_()
    assert "<p>Virtual.</p>" in opened.explain()._repr_html_()
    assert "60 stimuli, virtual, the first 5" in opened.answers()._repr_html_()


def test_a_name_is_no_code_in_a_notebook(tmp_path: Path) -> None:
    save_run(tmp_path / "run", board="<img src=x onerror=alert(1)>")
    page = edgereply.open_run(tmp_path / "run")._repr_html_()
    assert "<img src=x" not in page
    assert "&lt;img src=x" in page


def test_a_series_has_its_runs_and_conditions(series: Path) -> None:
    opened = edgereply.open_series(series)
    assert list(opened.conditions) == ["block-200_per_s", "block-500_per_s", "spin-200_per_s", "spin-500_per_s"]
    assert len(opened.runs) == 24
    assert opened.runs[0].name.startswith(str(series))
    assert "4 conditions, 24 of 25 blocks complete" in repr(opened)
    with pytest.raises(edgereply.SettingError, match="use open_series"):
        edgereply.open_run(series)
    with pytest.raises(edgereply.DataError, match="not a series"):
        edgereply.open_series(series / "r01-block-200_per_s")
    with pytest.raises(edgereply.DataError, match="not a run directory"):
        edgereply.open_run(series / "none")


def test_bundles_are_checked_and_leave_nothing_behind(
    run: Path, series: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "t"))
    (tmp_path / "t").mkdir()
    bundle(tmp_path / "one.zip", run)
    with edgereply.open_run(tmp_path / "one.zip") as opened:
        assert opened.verdict().run == str(tmp_path / "one.zip" / "run")
        assert opened.answers().to_arrow().drop(["run"]).equals(
            edgereply.open_run(run).answers().to_arrow().drop(["run"])
        )  # fmt: skip
        assert list((tmp_path / "t").iterdir())
    assert not list((tmp_path / "t").iterdir())
    bundle(tmp_path / "night.zip", series)
    first = edgereply.open_series(tmp_path / "night.zip").runs[0]
    gc.collect()
    assert len(first.answers()) == 300
    with pytest.raises(edgereply.SettingError, match="several runs; name one of: r01-"):
        edgereply.open_run(tmp_path / "night.zip")
    with pytest.raises(edgereply.SettingError, match="no run 'r77'"):
        edgereply.open_run(tmp_path / "night.zip", "r77")
    with pytest.raises(edgereply.SettingError, match="holds no series"):
        edgereply.open_series(tmp_path / "one.zip")
    compared = edgereply.compare(tmp_path / "one.zip", run)
    assert [side["name"] for side in compared.as_dict()["runs"]] == [str(tmp_path / "one.zip/run"), str(run)]
    assert "<table>" in compared._repr_html_()
    del first, compared
    gc.collect()
    assert not list((tmp_path / "t").iterdir())
    damaged = bytearray((tmp_path / "one.zip").read_bytes())
    damaged[len(damaged) // 2] ^= 1
    (tmp_path / "bad.zip").write_bytes(damaged)
    with pytest.raises(edgereply.DataError):
        edgereply.open_run(tmp_path / "bad.zip")
