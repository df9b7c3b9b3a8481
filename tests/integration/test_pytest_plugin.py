"""The bench as a fixture of another project's suite: tried in a throw-away project on software wires."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest
from tests.integration.commands import bench_text

import edgereply

# Software wires on a busy computer answer when they can: a second is always kept, a microsecond never.
SUITE = """
import pytest

@pytest.mark.edgereply(count=400)
def test_kept(edgereply_bench):
    run = edgereply_bench.measure()
    assert run.verdict("1s", exceed=0.25)
    assert run.counts["stimuli"] == 400

@pytest.mark.edgereply(count=30)
class TestClass:
    @pytest.mark.edgereply(bench="other.toml")
    @pytest.mark.parametrize("wait", ["block"])
    def test_not_kept(self, edgereply_bench, wait):
        assert edgereply_bench.measure(count=310, wait=wait).verdict("1us")

def test_measures_nothing(edgereply_bench):
    pass

def test_breaks_off(edgereply_bench):
    edgereply_bench.measure(bench_is="wrong")

@pytest.mark.edgereply(bench="none.toml")
def test_without_a_bench(edgereply_bench):
    pass
"""


def session(folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--strict-markers", "-W", "error", *options]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=300)


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project of its own, whose root is not ours."""
    folder = tmp_path_factory.mktemp("firmware")
    (folder / "pytest.ini").write_text("[pytest]\nedgereply_runs = kept\n")
    (folder / "bench.toml").write_text(bench_text())
    (folder / "other.toml").write_text(bench_text())
    (folder / "test_gate.py").write_text(SUITE)
    return folder


def test_a_suite_of_another_project(project: Path) -> None:
    done = session(project, "--junit-xml=j.xml")
    out = done.stdout
    assert "2 failed, 2 passed, 1 error" in out, out + done.stderr
    # The assertion says why, and where the run is.
    assert "assert <fail: FAIL: the deadline of 1" in out
    kept = project / "kept/test_gate.py-TestClass-test_not_kept-block/run-01"
    assert f"kept in {kept}" in out
    run = edgereply.open_run(kept)
    assert (run.counts["stimuli"], run.record["requested"]["board"]["wait"]) == (310, "block")
    assert sorted(path.name for path in (project / "kept").iterdir()) == [kept.parent.name]
    assert f"no bench file {project / 'none.toml'}: name one with --edgereply-bench" in out
    # A line a run in the summary.
    (good,) = [line for line in out.splitlines() if line.startswith("test_gate.py::test_kept: typical ")]
    assert good.endswith("(virtual); 1 s: pass"), good
    assert "test_gate.py::TestClass::test_not_kept[block]: typical " in out
    # JUnit has the figures of the run itself.
    cases = {case.get("name"): case for case in ElementTree.parse(project / "j.xml").iter("testcase")}
    told = {item.get("name"): item.get("value") for item in cases["test_not_kept[block]"].iter("property")}
    reaction = run.summary["reaction"]
    assert told["edgereply.1.median_ns"] == str(reaction["median_ns"])
    assert told["edgereply.1.max_ns"] == str(reaction["max_ns"])
    assert (told["edgereply.1.verdict"], told["edgereply.1.deadline_ns"]) == ("fail", "1000")
    assert (told["edgereply.1.virtual"], told["edgereply.1.stimuli"]) == ("True", "310")


def test_workers_tell_too_and_all_runs_may_be_kept(project: Path) -> None:
    done = session(project, "-n", "2", "-k", "test_kept", "--edgereply-keep=all", "--edgereply-bench=other.toml")
    assert done.returncode == 0, done.stdout
    assert "test_gate.py::test_kept: typical " in done.stdout
    assert edgereply.open_run(project / "kept/test_gate.py-test_kept/run-01").state == "complete"


def test_the_plugin_costs_a_session_without_it_nothing_heavy() -> None:
    program = "import sys, edgereply.api.pytest_plugin; print({'numpy', 'pyarrow', 'pydantic'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.strip() == "set()"
