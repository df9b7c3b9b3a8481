"""Whose clock may be the better one: only a computer that says so is taken at its word."""

from __future__ import annotations

import pytest

from edgereply.cli.source.calibrate import COMPUTER_PPM, _reference_ppm
from edgereply.errors import SettingError
from edgereply.system import clock_discipline


@pytest.mark.parametrize("says", [False, None])
def test_a_computer_that_nobody_keeps_right_is_no_better_clock(
    says: bool | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clock_discipline, "disciplined", lambda: says)
    with pytest.raises(SettingError, match="nothing says that a time server keeps"):
        _reference_ppm(None, False, "")
    assert _reference_ppm(50.0, False, "") == 50.0
    assert _reference_ppm(None, True, "/dev/ttyUSB1") is None


def test_a_computer_that_is_kept_right_has_a_tolerance(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clock_discipline, "disciplined", lambda: True)
    assert _reference_ppm(None, False, "") == COMPUTER_PPM


def test_the_system_can_be_asked() -> None:
    assert clock_discipline.disciplined() in (True, False, None)
    before = clock_discipline.now_ns()
    assert clock_discipline.now_ns() >= before
