"""The script that runs agent and host under other Pythons, under this one; `python -m tests.versions` does the rest."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from packaging.version import Version

from tests.versions import __main__ as script
from tests.versions import libraries
from tests.versions.interpreters import AGENT, found, version_of

OWN = f"{sys.version_info[0]}.{sys.version_info[1]}"


def test_an_interpreter_is_asked_for_its_version(tmp_path: Path) -> None:
    assert version_of(Path(sys.executable)) == OWN
    assert version_of(tmp_path / "python3.9") == ""
    liar = tmp_path / "python3.12"
    liar.write_text("#!/bin/sh\necho 'no such version is set'\nexit 127\n")
    liar.chmod(0o755)
    assert version_of(liar) == ""


def test_each_one_found_is_of_the_version_it_is_found_as() -> None:
    here = found()
    assert set(here) <= set(AGENT)
    assert {version: version_of(path) for version, path in here.items()} == {version: version for version in here}


def test_a_measurement_with_the_agent_under_an_interpreter(tmp_path: Path) -> None:
    said = script.measured(Path(sys.executable), Path(sys.executable), tmp_path)
    assert said == f"passed: {sys.version.split()[0]} on the board, {script.COUNT} stimuli (virtual)"


def test_what_could_not_be_had_and_what_failed_are_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(script, "found", lambda: {"3.10": Path("/nowhere/python3.10")})
    monkeypatch.setattr(sys, "argv", ["versions", "--only", "3.9,3.10", "--folder", str(tmp_path)])
    assert script.main() == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Python 3.9: COULD NOT BE HAD: no python3.9 on this computer"
    assert lines[1].startswith("Python 3.10 (/nowhere/python3.10): agent, measurement: FAILED")
    assert "unit tests: COULD NOT BE HAD: packages" in lines[2]


def test_the_lowest_libraries_are_asked_for_as_the_project_says(tmp_path: Path) -> None:
    asked: list[list[str]] = []

    def told(words: list[object], _limit_s: float, _log: Path) -> bool:
        asked.append([str(word) for word in words])
        return True

    assert libraries.environment_with("lowest", tmp_path, told) == tmp_path / "environment/bin/python"
    assert asked[-2][-3:] == ["--resolution", "lowest-direct", str(tmp_path / "source")]
    declared = (tmp_path / "source/pyproject.toml").read_text("utf-8")
    assert declared == (libraries.ROOT / "pyproject.toml").read_text("utf-8")
    assert any(word.startswith("hypothesis>=") for word in asked[-1])
    assert all((libraries.ROOT / path).exists() for path in libraries.TESTS)
    assert libraries.environment_with("newest", tmp_path, lambda *_: False) is None


@pytest.mark.parametrize("resolution", libraries.RESOLUTIONS)
def test_a_walk_with_the_lowest_and_the_newest_libraries(resolution: str, tmp_path: Path) -> None:
    """What each of them is must be what pyproject.toml says: the lowest named there, and nothing older than it."""
    inside = libraries.environment_with(resolution, tmp_path, script.carried_out, tested=False)
    assert inside is not None, "\n".join(log.read_text() for log in sorted(tmp_path.glob("install-*.log")))
    there = libraries.installed(inside, tmp_path, script.carried_out)
    bounds = libraries.lower_bounds()
    found = dict(words.split(" ") for words in there.split(", "))
    assert set(found) == set(bounds)
    for name, bound in bounds.items():
        release = Version(found[name])
        assert release == bound if resolution == "lowest" else release >= bound, name
    counted = libraries.walk(inside, tmp_path)
    assert counted["csv"] == counted["vcd"] == [40, 40]
    assert isinstance(counted["verdict"], int)
    assert counted["verdict"] > 50
