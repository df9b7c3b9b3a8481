"""DEVELOPERS.md's "How to add …" is true: toys added to a copy of the program by exactly these steps, and used.

Each toy is one new module and one row in the table that DEVELOPERS.md names. The copy is on the search path by itself;
nothing else in it is touched.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TREES = ("agent", "host", "protocol")
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
BENCH = """
deadline = "2ms"

[board.gate]
link = "local"
route = "ROUTE"

[source]
kind = "SOURCE"

[stimulus]
rate = "1000/s"
floor = "300us"
count = 60
"""


class Copy:
    """A copy of the program that toys are added to."""

    def __init__(self, root: Path) -> None:
        self.root = root
        for tree in TREES:
            shutil.copytree(ROOT / tree, root / tree, ignore=shutil.ignore_patterns("*.egg-info", "__pycache__"))

    def add_module(self, path: str, source: str) -> None:
        """The new module."""
        target = self.root / path
        assert not target.exists()
        target.write_text(source, encoding="utf-8")

    def add_row(self, path: str, table: str, row: str) -> None:
        """The row, at the end of the table's literal."""
        named = path.removeprefix("host/edgereply/").removesuffix(".py")
        assert named in GUIDE, f"DEVELOPERS.md does not name {named}"
        text = (self.root / path).read_text(encoding="utf-8")
        start = text.index(f"\n{table}")
        end = text.index("\n}", start)
        (self.root / path).write_text(f"{text[:end]}\n    {row}{text[end:]}", encoding="utf-8")

    def run(self, *arguments: str, place: Path) -> subprocess.CompletedProcess[str]:
        """The command line of the copy."""
        paths = os.pathsep.join(str(self.root / tree) for tree in TREES)
        return subprocess.run(
            [sys.executable, "-m", "edgereply", *arguments], cwd=place, capture_output=True, text=True, timeout=300,
            env={**os.environ, "PYTHONPATH": paths},
        )  # fmt: skip


@pytest.fixture
def copy(tmp_path: Path) -> Copy:
    """The program, to be added to."""
    return Copy(tmp_path / "program")


def write_bench(place: Path, route: str, source: str) -> None:
    (place / "bench.toml").write_text(BENCH.replace("ROUTE", route).replace("SOURCE", source), encoding="utf-8")


def test_a_route_is_a_module_and_a_row(copy: Copy, tmp_path: Path) -> None:
    write_bench(tmp_path, "toy", "virtual")
    refused = copy.run("measure", "--out", "run", place=tmp_path)
    assert refused.returncode == 2
    assert "'chardev', 'gpiod', 'sysfs' or 'virtual'" in refused.stderr
    copy.add_module(
        "agent/edgereply_agent/routes/toy.py",
        "from .virtual import VirtualRoute\n\n\nclass ToyRoute(VirtualRoute):\n    name = 'toy'\n",
    )
    copy.add_row("protocol/edgereply_protocol/routes.py", "ROUTES", '"toy": RouteRow("toy", "ToyRoute", virtual=True),')
    done = copy.run("measure", "--out", "run", "--json", place=tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["responses"] > 0
    record = json.loads((tmp_path / "run/run.json").read_text(encoding="utf-8"))
    assert record["requested"]["board"]["route"] == record["in_effect"]["route"] == "toy"
    (tmp_path / "plan.toml").write_text('bench = "bench.toml"\nrepeats = 1\n[axes]\nroute = ["toy", "virtual"]\n')
    planned = copy.run("sweep", "plan.toml", "--dry-run", "--json", place=tmp_path)
    assert set(json.loads(planned.stdout)["conditions"]) == {"toy", "virtual"}


def test_a_statistic_is_a_module_and_a_row(copy: Copy, tmp_path: Path) -> None:
    run = ROOT / "tests/reference_data/runs/format-1-first"
    copy.add_module(
        "host/edgereply/analysis/statistics/toy.py",
        "def second_slowest(values_ns):\n    return int(sorted(values_ns)[-2])\n",
    )
    table = "host/edgereply/analysis/statistics/further.py"
    copy.add_row(table, "FURTHER", '"second_slowest_ns": Further("second slowest", second_slowest),')
    text = (copy.root / table).read_text(encoding="utf-8")
    (copy.root / table).write_text(
        text.replace(
            "\n\n\n@dataclass", "\nfrom edgereply.analysis.statistics.toy import second_slowest\n\n\n@dataclass", 1
        )
    )
    shown = copy.run("report", str(run), "--table", "summary", "--output", "table.md", place=tmp_path)
    assert shown.returncode == 0, shown.stderr
    assert "second slowest" in (tmp_path / "table.md").read_text(encoding="utf-8")


def test_a_figure_is_a_module_and_a_row(copy: Copy, tmp_path: Path) -> None:
    run = ROOT / "tests/reference_data/runs/format-1-first"
    refused = copy.run("report", str(run), "--figure", "toy", "-o", "toy.png", place=tmp_path)
    assert refused.returncode == 2
    copy.add_module(
        "host/edgereply/report/figures/toy.py",
        "from edgereply.report.figures.distribution import distribution\n"
        "from edgereply.report.figures.readings import Reading\n\n\n"
        "def draw(views):\n    return distribution(views)\n\n\n"
        "def read(views):\n    return Reading('A toy is shown.', ('run',), ())\n",
    )
    table = "host/edgereply/report/figures/plots.py"
    copy.add_row(table, "FIGURES", '"toy": FigureRow(heading="A toy", draw=toy.draw, read=toy.read),')
    text = (copy.root / table).read_text(encoding="utf-8")
    needs = "from edgereply.report.figures import quantile_readings, readings"
    assert needs in text
    (copy.root / table).write_text(text.replace(needs, f"{needs}, toy"), encoding="utf-8")
    drawn = copy.run("report", str(run), "--figure", "toy", "-o", "toy.png", place=tmp_path)
    assert drawn.returncode == 0, drawn.stderr
    assert (tmp_path / "toy.png").read_bytes().startswith(b"\x89PNG")
    shown = copy.run("report", str(run), "-o", "page.html", place=tmp_path)
    assert shown.returncode == 0, shown.stderr
    assert "A toy is shown." in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_a_pulse_source_is_a_module_and_a_row(copy: Copy, tmp_path: Path) -> None:
    write_bench(tmp_path, "virtual", "toy")
    assert copy.run("source", place=tmp_path).returncode == 2
    copy.add_module(
        "host/edgereply/sources/toy.py",
        "from edgereply.sources.simulator.source import VirtualSource\n\n\n"
        "class ToySource(VirtualSource):\n"
        "    def __init__(self, shift: int = 0) -> None:\n"
        "        super().__init__(seed=7 + shift)\n",
    )
    copy.add_row(
        "host/edgereply/config/choices.py",
        "SOURCES",
        '"toy": SourceKind(module="edgereply.sources.toy", class_name="ToySource", virtual=True),',
    )
    assert copy.run("source", place=tmp_path).returncode == 0
    done = copy.run("measure", "--out", "run", "--json", place=tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["stimuli"] == 60
    bench = tmp_path / "bench.toml"
    bench.write_text(bench.read_text().replace('kind = "toy"', 'kind = "toy"\noptions = { speed = 3 }'))
    wrong = copy.run("measure", "--out", "other", place=tmp_path)
    assert wrong.returncode == 2
    assert "its options are: shift" in wrong.stderr
