"""A run that does not fit into memory is refused before it is read."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from edgereply.errors import HostError
from edgereply.system import memory
from edgereply.system.memory import available, check_fits


@pytest.fixture
def meminfo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """As the kernel writes it: 3 GiB of 8 can be had."""
    place = tmp_path / "meminfo"
    place.write_text(
        "MemTotal:        8388608 kB\nMemFree:  1048576 kB\nMemAvailable:    3145728 kB\nHugePages_Total: 0\n"
    )
    monkeypatch.setattr(memory, "_MEMINFO", place)
    return place


def test_what_can_be_had_is_less_than_all_there_is() -> None:
    free = available()
    assert free is not None
    assert 0 < free < os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")


def test_what_fits_passes(meminfo: Path) -> None:
    assert available() == 3 * 2**30
    check_fits(14_000_000, "runs/night")


def test_what_does_not_fit_is_refused_with_numbers_and_a_way_out(meminfo: Path) -> None:
    with pytest.raises(HostError) as caught:
        check_fits(100_000_000, "runs/night")
    assert "100,000,000 stimuli at once take about 20.0 GiB of memory, 3.0 are free" in caught.value.message
    assert caught.value.where == "runs/night"
    assert "verdict --by-pieces" in caught.value.remedy


@pytest.mark.parametrize("text", ["", "MemTotal: 1 kB\n", "MemAvailable: much\n", "MemAvailable:\n", "nothing\n"])
def test_a_system_that_does_not_say_stops_nobody(meminfo: Path, text: str) -> None:
    meminfo.write_text(text)
    assert available() is None
    check_fits(10**12, "runs/night")


def test_a_small_run_is_never_refused(meminfo: Path) -> None:
    meminfo.write_text("MemAvailable: 1 kB\n")
    check_fits(1_000_000, "runs/night")
