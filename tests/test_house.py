"""Format, lint and types of the whole tree, as pyproject.toml sets them."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
CHECKS = {
    "format": ["ruff", "format", "--check", "."],
    "lint": ["ruff", "check", "."],
    "types": ["mypy"],
}


@pytest.mark.parametrize("check", CHECKS)
def test_house(check: str) -> None:
    command = [sys.executable, "-m", *CHECKS[check]]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, f"{' '.join(command[1:])}\n{(done.stdout + done.stderr)[-6000:]}"
