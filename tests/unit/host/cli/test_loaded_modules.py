"""What a command on a finished run may load: nothing that takes longer to import than the command's own work takes.

No time is measured here: `python -m tests.benchmarks.at_once` does that.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

RUNS = Path(__file__).parents[3] / "reference_data" / "runs"
FIRST, OTHER = str(RUNS / "format-1-first"), str(RUNS / "format-1-load")
# Half a second (scipy.stats) to a twentieth each; whoever needs one imports it where it is needed.
SLOW = {
    "duckdb", "matplotlib", "numpy.f2py", "pandas", "plotly", "polars", "pyarrow.compute", "pyarrow.dataset", "pydoc",
    "scipy.fft", "scipy.ndimage", "scipy.optimize", "scipy.special", "scipy.stats",
}  # fmt: skip
# What only a measurement needs, or only a page, a table of all figures, a file of another kind.
MEASURING = {"serial", "rich.live", "edgereply.measurement.run", "edgereply.board.client", "edgereply.sources.base"}
ELSEWHERE = {"jinja2", "pyarrow.csv", "rich.table", "edgereply.config.settings", "edgereply.config.bench_file"}
COMMANDS = {
    "verdict": (["verdict", FIRST], set()),
    "verdict, by pieces": (["verdict", FIRST, "--by-pieces"], set()),
    "explain": (["explain", FIRST], set()),
    "compare": (["compare", FIRST, OTHER], {"rich.table", "edgereply.config.settings"}),
    "export, CSV": (["export", FIRST, "--to", "csv", "-o", "OUT"], {"pyarrow.csv"}),
    "export, Parquet": (["export", FIRST, "--to", "parquet", "-o", "OUT"], set()),
    "report": (["report", FIRST, "-o", "OUT.html"], {"jinja2", "edgereply.config.settings"}),
}
PROGRAM = """import sys
from edgereply.__main__ import main
code = main()
print(code, *sys.modules)"""


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_loads_nothing_slow_that_it_does_not_need(name: str, tmp_path: Path) -> None:
    words, needed = COMMANDS[name]
    command = [word.replace("OUT", str(tmp_path / "out")) for word in words]
    done = subprocess.run([sys.executable, "-c", PROGRAM, *command], capture_output=True, text=True, timeout=300)
    code, *loaded = done.stdout.splitlines()[-1].split()
    assert code in ("0", "1"), done.stderr
    assert {"numpy", "pyarrow.lib"} <= set(loaded)
    assert (SLOW | MEASURING | ELSEWHERE) & set(loaded) == needed
