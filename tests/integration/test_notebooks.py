"""The notebooks in examples/, run from the first cell to the last in an empty directory, and what they show."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "examples").glob("*.ipynb"))
RUN = """
import sys, nbformat, nbclient
book = nbformat.read(sys.argv[1], as_version=4)
nbformat.validate(book)
nbclient.NotebookClient(book, timeout=300, kernel_name="python3").execute()
nbformat.write(book, "done.ipynb")
"""
# By notebook: how many of the outputs are HTML or a picture.
SHOWN = {"first-look": 5, "two-boards": 2, "a-year-of-runs": 2}


def executed(path: Path, folder: Path) -> dict[str, Any]:
    command = [sys.executable, "-W", "ignore", "-c", RUN, str(path)]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr[-4000:]
    found: dict[str, Any] = json.loads((folder / "done.ipynb").read_text("utf-8"))
    return found


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs_and_shows_something(path: Path, tmp_path: Path) -> None:
    book = executed(path, tmp_path)
    outputs = [output for cell in book["cells"] for output in cell.get("outputs", [])]
    rich = [output["data"] for output in outputs if {"text/html", "image/svg+xml"} & set(output.get("data", {}))]
    assert len(rich) >= SHOWN[path.stem]
    first = next(
        "".join(data["text/html"]) for data in rich if "data:image/svg+xml" in "".join(data.get("text/html", ""))
    )
    assert "<table>" in first
    assert "virtual" in first


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_kept_without_outputs(path: Path) -> None:
    """They hold times of somebody's computer, and make every change a large one."""
    book = json.loads(path.read_text("utf-8"))
    assert not [cell for cell in book["cells"] if cell.get("outputs") or cell.get("execution_count")]
    said = "".join(line for cell in book["cells"] for line in cell["source"])
    assert "**virtual**" in said
    assert "qualified engineer" in said


def test_every_notebook_is_here() -> None:
    assert {path.stem for path in NOTEBOOKS} == set(SHOWN)
