"""Measures the mixed series on this computer; `python -m tests.mixed_series [--page]`."""

from __future__ import annotations

import argparse
import contextlib
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from edgereply.report.tables.sweep_table import NOTE
from tests.mixed_series.bench import PLAN, bench_text
from tests.products import BuildError
from tests.rig.any_rig import RigError
from tests.rig.rig import Rig
from tests.virtual_board import VirtualBoard
from tests.virtual_board.errors import VirtualBoardError

PAGE = Path(__file__).parents[2] / "docs/sweeps.md"
BEGIN, END = "<!-- mixed series: begin -->", "<!-- mixed series: end -->"
TROUBLE = 3


def into_page(table: str, page: Path = PAGE) -> None:
    """Put a table in place of the last one.

    Raises:
        ValueError: the file has no place for it.
    """
    text = page.read_text(encoding="utf-8")
    if text.count(BEGIN) != 1 or text.count(END) != 1:
        raise ValueError(f"{page} has no {BEGIN} and {END}")
    before, rest = text.split(BEGIN)
    after = rest.split(END)[1]
    page.write_text(f"{before}{BEGIN}\n```\n{table.rstrip()}\n```\n{END}{after}", encoding="utf-8")


def table_of(printed: str) -> str:
    """The table alone, of what a sweep printed."""
    lines = printed.partition(f"\n{NOTE[:20]}")[0].splitlines()
    return "\n".join(line.rstrip() for line in lines)


def measure(folder: Path, out: Path) -> tuple[int, str]:
    """Start the boards and measure the series.

    Returns:
        Exit code of the sweep, and what it printed.
    """
    with contextlib.ExitStack() as stack:
        plain = stack.enter_context(VirtualBoard("plain", icount=True))
        rt = stack.enter_context(VirtualBoard("rt", icount=True))
        bare = stack.enter_context(Rig(board="lookup"))
        bench = folder / "bench.toml"
        bench.write_text(bench_text(plain, rt, bare), encoding="utf-8")
        words = [
            sys.executable,
            "-m",
            "edgereply",
            "sweep",
            str(PLAN),
            "--bench",
            str(bench),
            "--out",
            str(out),
            "--details",
        ]
        done = subprocess.run(words, stdout=subprocess.PIPE, text=True, check=False)
    return done.returncode, done.stdout


def main() -> int:
    """Returns: exit code of the sweep; 3 where the boards could not be started."""
    parser = argparse.ArgumentParser(prog="python -m tests.mixed_series", description=__doc__)
    parser.add_argument("--out", type=Path, default=Path("runs/mixed-series"), help="series directory, new or empty")
    parser.add_argument("--page", action="store_true", help="put the table into docs/sweeps.md")
    arguments = parser.parse_args()
    try:
        with tempfile.TemporaryDirectory(prefix="edgereply-mixed-") as folder:
            code, printed = measure(Path(folder), arguments.out)
    except (VirtualBoardError, RigError, BuildError, pytest.fail.Exception) as error:
        print(f"mixed series: {error}", file=sys.stderr)
        return TROUBLE
    print(printed, end="")
    if arguments.page and code == 0:
        into_page(table_of(printed))
    return code


if __name__ == "__main__":
    sys.exit(main())
