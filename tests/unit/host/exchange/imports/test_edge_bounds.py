"""Recordings with more edges than can be: analogue channels and logic levels alike."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgereply.errors import DataError
from edgereply.exchange.imports import logic_levels, waveforms
from edgereply.exchange.imports.import_files import read as recording_of
from edgereply.exchange.imports.waveforms import Settings

EDGES = 60


def analogue(edges: int) -> str:
    """A square wave of 3.3 V, 40 samples between its edges."""
    level = (3.3 if (n // 40) % 2 else 0.0 for n in range(40 * (edges + 1)))
    return "Time (s),CH1 (V)\n" + "".join(f"{n * 1e-6:.7f},{volts}\n" for n, volts in enumerate(level))


def levels(edges: int) -> str:
    """The same as a logic analyser writes it, a line a sample."""
    return "Time [s],D0,D1\n" + "".join(f"{n * 1e-6:.7f},{(n // 40) % 2},0\n" for n in range(40 * (edges + 1)))


@pytest.mark.parametrize(("text", "module"), [(analogue, waveforms), (levels, logic_levels)], ids=["volts", "levels"])
def test_edges_without_end_are_refused(
    text: object, module: object, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert callable(text)
    path = tmp_path / "recording.csv"
    path.write_text(text(EDGES))
    monkeypatch.setattr(module, "MOST_EDGES", EDGES)
    recording = recording_of([path], [], Settings())
    assert recording.channels
    monkeypatch.setattr(module, "MOST_EDGES", EDGES - 1)
    with pytest.raises(DataError, match="more than 59 edges"):
        recording_of([path], [], Settings())


def test_the_bound_is_twenty_million() -> None:
    assert waveforms.MOST_EDGES == 20_000_000
    assert logic_levels.__dict__["MOST_EDGES"] == 20_000_000
