"""What is handed over: the source archive is whole, and the wheel made of it works alone, without a clone beside it."""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import tomllib
import venv
from pathlib import Path

import pytest

import edgereply

ROOT = Path(__file__).parents[1]
PACKAGES = ("agent/edgereply_agent", "host/edgereply", "protocol/edgereply_protocol")
# Files of a clone that somebody who has the wheel alone does not have.
OF_A_CLONE = re.compile(r"\b(?:docs|examples|tests)/[\w-]+|README\.md|DEVELOPERS\.md|pip install -e")


def run(*command: object, cwd: Path, **env: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [str(word) for word in command], cwd=cwd, capture_output=True, text=True, timeout=600, stdin=subprocess.DEVNULL,
        env={**os.environ, **env},
    )  # fmt: skip
    assert done.returncode == 0, f"{command}\n{done.stdout[-3000:]}{done.stderr[-3000:]}"
    return done


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The source archive, made of the files under version control as they are now."""
    clone, made = tmp_path_factory.mktemp("clone"), tmp_path_factory.mktemp("sdist")
    listed = run("git", "ls-files", "-z", "--cached", "--others", "--exclude-standard", cwd=ROOT).stdout
    for name in filter(None, listed.split("\0")):
        if (ROOT / name).is_file():
            (clone / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, clone / name)
    run(sys.executable, "-m", "build", "--sdist", "--outdir", made, cwd=clone)
    (found,) = made.glob("*.tar.gz")
    return found


@pytest.fixture(scope="module")
def alone(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """`bin` of an environment that has the wheel of that archive, and the libraries of this one but not its package."""
    folder = tmp_path_factory.mktemp("alone")
    run(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", folder, archive, cwd=folder)
    (wheel,) = folder.glob("*.whl")
    assert wheel.name == f"edgereply-{edgereply.__version__}-py3-none-any.whl"
    venv.create(folder / "v", with_pip=False)
    python = folder / "v/bin/python"
    run(sys.executable, "-m", "pip", "--python", python, "install", "-q", "--no-deps", wheel, cwd=folder)
    # A path file within a directory named by another one is not read, so that the package of the clone is not found.
    (site,) = (folder / "v/lib").glob("python3*/site-packages")
    (site / "libraries.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return folder / "v/bin"


def test_the_version_stands_in_one_place() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert "version" in project["project"]["dynamic"]
    version = edgereply.__version__
    assert f"\nversion: {version}\n" in (ROOT / "CITATION.cff").read_text("utf-8")
    assert re.search(rf"^## {re.escape(version)}\b", (ROOT / "CHANGELOG.md").read_text("utf-8"), re.MULTILINE)


def test_the_archive_has_pages_examples_and_both_firmwares(archive: Path) -> None:
    with tarfile.open(archive) as packed:
        names = {name.partition("/")[2] for name in packed.getnames()}
    listed = run("git", "ls-files", cwd=ROOT).stdout.splitlines()
    missing = [
        name for name in listed if name not in names and not (ROOT / name).is_symlink() and (ROOT / name).exists()
    ]
    assert missing == []
    for name in (
        "docs/index.md",
        "examples/pulse-source/Makefile",
        "examples/pulse-source-rp2040/rp2040.ld",
        "LICENSE",
    ):
        assert name in names
    assert not [name for name in names if "__pycache__" in name or ".venv" in name]


def test_the_wheel_alone_measures_reports_and_judges(alone: Path, tmp_path: Path) -> None:
    where = run(alone / "python", "-c", "import edgereply; print(edgereply.__file__)", cwd=tmp_path).stdout
    assert where.startswith(str(alone.parent))
    assert run(alone / "edgereply", "--version", cwd=tmp_path).stdout == f"edgereply {edgereply.__version__}\n"
    demo = run(alone / "edgereply", "demo", "--dwell", "1s", cwd=tmp_path)
    assert "A first afternoon" in demo.stderr
    assert (tmp_path / "edgereply-demo/report.html").stat().st_size > 100_000
    (tmp_path / "test_it.py").write_text(
        "def test_it(edgereply_bench):\n    assert edgereply_bench.measure(count=310).verdict('1s')\n"
    )
    bench = "--edgereply-bench=edgereply-demo/bench.toml"
    tried = run(alone / "python", "-m", "pytest", "-p", "no:cacheprovider", bench, "test_it.py", cwd=tmp_path)
    assert "1 passed" in tried.stdout
    asked = "import edgereply, json; print(json.dumps(edgereply.open_run('edgereply-demo/runs/block').summary))"
    summary = json.loads(run(alone / "python", "-c", asked, cwd=tmp_path).stdout)
    assert summary["virtual"] is True
    assert summary["stimuli"] > 0


def texts() -> list[tuple[str, str]]:
    """Every text in the sources that is no docstring, with its place."""
    found = []
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            tree = ast.parse(path.read_text("utf-8"))
            documents = {
                id(node.body[0].value)
                for node in ast.walk(tree)
                if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
                and node.body
                and isinstance(node.body[0], ast.Expr)
            }
            found += [
                (f"{path.relative_to(ROOT)}:{node.lineno}", node.value)
                for node in ast.walk(tree)
                if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documents
            ]
    return found


def test_no_message_points_into_a_clone() -> None:
    assert [place for place, text in texts() if OF_A_CLONE.search(text)] == []
    assert len(texts()) > 1000


@pytest.mark.parametrize(
    "text", ["see docs/index.md", "in examples/pulse-source", "pip install -e .", "read README.md"]
)
def test_a_message_that_does_is_seen(text: str) -> None:
    assert OF_A_CLONE.search(text)
