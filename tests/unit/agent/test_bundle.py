"""The agent as it travels: one file, standard library only, Python 3.9, small."""

from __future__ import annotations

import ast
import shutil
import subprocess
import sys
import zipapp
from pathlib import Path

import pytest

from edgereply.board.bundle import build_bundle
from edgereply_protocol import Ping, Pong, Start, Started, Stop, Stopped
from tests.fakes.agent_process import ROOT, AgentProcess
from tests.fakes.virtual_wires import WiresPeer

SOURCES = sorted([*ROOT.glob("agent/edgereply_agent/**/*.py"), *ROOT.glob("protocol/edgereply_protocol/**/*.py")])
OLD = Path.home() / ".pyenv/versions/3.9.18/bin/python"
MAX_BYTES = 100_000


@pytest.fixture(scope="module")
def bundle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The packed agent."""
    folder = tmp_path_factory.mktemp("bundle")
    for place in ("agent/edgereply_agent", "protocol/edgereply_protocol"):
        shutil.copytree(ROOT / place, folder / "app" / Path(place).name, ignore=shutil.ignore_patterns("__pycache__"))
    for path in folder.rglob("*.py"):  # comments stay at home, as when the host packs it
        path.write_text(ast.unparse(ast.parse(path.read_text(encoding="utf-8"))), encoding="utf-8")
    target = folder / "agent.pyz"
    (folder / "app/__main__.py").write_text("from edgereply_agent.__main__ import main\nraise SystemExit(main())\n")
    zipapp.create_archive(folder / "app", target, compressed=True)
    return target


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_syntax_is_python_39(path: Path) -> None:
    ast.parse(path.read_text(), feature_version=(3, 9))


def test_library_is_python_39() -> None:
    """By vermin, which knows since when each name of the standard library exists."""
    done = subprocess.run(
        [str(Path(sys.executable).with_name("vermin")), "--no-tips", "--violations", "-t=3.9-", "--eval-annotations",
         str(ROOT / "agent"), str(ROOT / "protocol")],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_standard_library_and_protocol_only(path: Path) -> None:
    package = "edgereply_agent" if "agent" in path.parts else "edgereply_protocol"
    allowed = {*sys.stdlib_module_names, "edgereply_protocol", package}
    for node in ast.walk(ast.parse(path.read_text())):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and not node.level:
            names = [node.module or ""]
        for name in names:
            assert name.split(".")[0] in allowed, f"{path}:{node.lineno} imports {name}"  # type: ignore[attr-defined]


def test_is_small() -> None:
    """The file that travels, as the host packs it."""
    assert len(build_bundle().data) <= MAX_BYTES


PYTHONS = [sys.executable, *([str(OLD)] if OLD.exists() else [])]


@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize("wait", ["block", "spin"])
def test_answers_from_the_bundle_without_site_packages(bundle: Path, tmp_path: Path, python: str, wait: str) -> None:
    peer = WiresPeer(tmp_path / "wires")
    line = {"chip": str(peer.path), "line": 0}
    with AgentProcess([python, "-I", "-S", str(bundle)]) as agent:
        assert agent.greet().environment["python"]
        agent.configure("respond", {"route": "virtual", "lines": {"input": line, "output": line}, "wait": wait})
        assert peer.wires
        agent.send(Start())
        agent.expect(Started)
        for _ in range(20):
            peer.edge()
            assert [peer.change()[1], peer.change()[1]] == [1, 0]
        agent.send(Ping(3))
        assert agent.expect(Pong).token == 3
        agent.send(Stop())
        assert agent.expect(Stopped).answered == 20
        assert agent.bye() == 0
        assert agent.errors() == ""
    peer.close()


def test_version_and_wrong_arguments(bundle: Path) -> None:
    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-I", "-S", str(bundle), *arguments]
        return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)

    version = run("--version")
    assert (version.returncode, version.stdout.split()[0]) == (0, "edgereply-agent")
    wrong = run("--listen")
    assert (wrong.returncode, wrong.stdout) == (2, "")
    assert "no arguments" in wrong.stderr
