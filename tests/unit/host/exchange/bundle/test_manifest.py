"""A manifest from somebody else: of a newer format, or too large."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from edgereply.errors import DataError
from edgereply.exchange.bundle.check import _manifest

GOOD = {"format": 1, "tool": "edgereply 0.1.0", "files": []}


def test_a_newer_format_is_refused_before_anything_else_of_it_is_looked_at(tmp_path: Path) -> None:
    path = tmp_path / "manifest.json"
    path.write_text(json.dumps({**GOOD, "format": 2, "tool": "edgereply 9.1", "files": {"of": "another kind"}}))
    with pytest.raises(DataError, match="the bundle has format 2") as caught:
        _manifest(path, Path("night.zip"))
    assert caught.value.remedy == "update edgereply: version 9.1 wrote it"


def test_16_mib_are_read_and_no_more(tmp_path: Path) -> None:
    path = tmp_path / "manifest.json"
    text = json.dumps(GOOD)
    path.write_text(text + " " * ((16 << 20) - len(text)))
    assert _manifest(path, Path("night.zip")).tool == "edgereply 0.1.0"
    path.write_text(text + " " * ((16 << 20) + 1 - len(text)))
    with pytest.raises(DataError, match="its manifest is too large"):
        _manifest(path, Path("night.zip"))
