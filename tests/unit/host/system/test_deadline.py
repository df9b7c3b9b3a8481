"""Deadlines, on a clock that the test moves."""

import pytest

from edgereply.system.deadline import Deadline


def test_it_runs_down(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]
    monkeypatch.setattr("time.monotonic", lambda: now[0])
    deadline = Deadline(2.5)
    assert deadline.remaining_s() == 2.5
    assert not deadline.expired()
    now[0] = 102.0
    assert deadline.remaining_s() == 0.5
    now[0] = 102.5
    assert deadline.expired()
    now[0] = 200.0
    assert deadline.remaining_s() == 0.0
    assert deadline.expired()


def test_at_once() -> None:
    assert Deadline(0).expired()


@pytest.mark.parametrize("seconds", [-1.0, -1e-9, float("nan")])
def test_senseless(seconds: float) -> None:
    with pytest.raises(ValueError, match="0 s or more ahead"):
        Deadline(seconds)
