"""What people type and where they point: shares in per cent, a series where a run is wanted, the directory above."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgereply.api.option_values import share_option
from edgereply.cli.arguments import expect_run, expect_runs
from edgereply.errors import SettingError


@pytest.mark.parametrize(
    ("text", "share"), [("0.01", 0.01), ("1e-5", 1e-5), ("1%", 0.01), (" 0.1 % ", 0.001), ("100%", 1.0)]
)
def test_a_share_is_a_number_or_per_cent(text: str, share: float) -> None:
    assert share_option(text, "--exceed") == pytest.approx(share, rel=1e-15)


def test_what_is_no_share_says_how_one_is_written() -> None:
    assert share_option(None, "--exceed") is None
    for text in ("", "%", "one", "1 in 100", "1%%"):
        with pytest.raises(SettingError, match=r"--exceed.*is not a share.*1%"):
            share_option(text, "--exceed")


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """A series of five blocks, and the directory above it with a run of its own."""
    for number in range(1, 6):
        (tmp_path / f"runs/night/r0{number}-block").mkdir(parents=True)
        (tmp_path / f"runs/night/r0{number}-block/run.json").touch()
    (tmp_path / "runs/night/series.json").touch()
    (tmp_path / "runs/first").mkdir()
    (tmp_path / "runs/first/run.json").touch()
    return tmp_path / "runs/night"


def test_a_series_in_place_of_a_run_is_met_with_its_runs(night: Path) -> None:
    with pytest.raises(SettingError, match="this is a series") as caught:
        expect_run(night)
    for part in (f"{night}/r01-block, ", f"{night}/r03-block or another of 5", f"edgereply report {night}"):
        assert part in caught.value.remedy
    assert "r04" not in caught.value.remedy


def test_the_directory_above_is_met_with_what_is_in_it(night: Path) -> None:
    for above in (night.parent, night.parent.parent):
        for expect in (lambda path: expect_runs([path]), expect_run):
            with pytest.raises(SettingError, match="no run, it holds some") as caught:
                expect(above)
            assert caught.value.remedy == f"give {night.parent}/first, {night}"


def test_what_is_right_or_for_the_reader_to_refuse_passes(night: Path) -> None:
    expect_run(night / "r01-block")
    expect_runs([night, night / "r01-block", night / "nowhere", night / "series.json"])
    (night.parent / "empty").mkdir()
    expect_run(night.parent / "empty")
