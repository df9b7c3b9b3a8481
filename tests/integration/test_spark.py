"""A data set read by Spark as it stands: the tool's own group figures, by the lines of the page on data sets.

Not part of every run of the suite, which says so in its first lines: Spark is half a gigabyte and needs Java. Both are
fetched here; `EDGEREPLY_SPARK=1 pytest tests/integration/test_spark.py`.
"""

from __future__ import annotations

import json
import subprocess
import sys
import venv
from pathlib import Path

from tests.fakes.data_set import expected, save_archive
from tests.integration.documents import ROOT, blocks
from tests.products import cache, product, run
from tests.tools import need

import edgereply

SPARK = "pyspark==4.3.0"
LAST = "print(json.dumps({row[0]: list(row[1:]) for row in figures.collect()}))"


def python_with_spark() -> Path:
    """An interpreter of an environment of its own, kept beside what else tests build."""

    def make(into: Path) -> None:
        venv.create(into, with_pip=False)
        run([sys.executable, "-m", "pip", "--python", str(into / "bin/python"), "install", "-q", SPARK], into)

    return product(cache("spark"), "environment", [Path(__file__)], make, sys.version) / "bin/python"


def test_group_figures_of_spark_are_the_tools_own(tmp_path: Path) -> None:
    need("java", "openjdk-17-jre-headless")
    runs = save_archive(tmp_path / "runs")
    edgereply.export_dataset(runs, tmp_path / "edgereply-data-set")
    (code,) = (block.text for block in blocks(ROOT / "docs/data-set.md") if "pyspark" in block.text[:200])
    command = [str(python_with_spark()), "-c", f"import json\n{code}\n{LAST}"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.splitlines()[-1]) == expected(runs)
