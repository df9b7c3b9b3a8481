import fcntl
import os
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests import tools


class FakeApt:
    """Stands for apt-get: records what it is asked and makes the program appear."""

    def __init__(self, folder: Path, brings: str, code: int = 0) -> None:
        self.folder, self.brings, self.code = folder, brings, code
        self.calls: list[list[str]] = []
        self.make("apt-get")

    def make(self, name: str) -> None:
        (self.folder / name).write_text("#!/bin/sh\n")
        (self.folder / name).chmod(0o644 if name.endswith(".h") else 0o755)

    def run(self, command: list[str], check: bool = False, **_: Any) -> None:
        self.calls.append([word for word in command[1:] if not word.startswith(("-q", "-o", "DPkg"))])
        if self.code and check:
            raise subprocess.CalledProcessError(self.code, command, "", "E: no such package")
        if "install" in command:
            self.make(self.brings)


@pytest.fixture
def apt(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FakeApt:
    fake = FakeApt(tmp_path, "wanted-tool")
    monkeypatch.setattr(tools, "LOCK", tmp_path / "lock")
    monkeypatch.setattr(tools, "SEARCH", str(tmp_path))
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(subprocess, "run", fake.run)
    return fake


def test_a_program_that_is_there_is_only_found(apt: FakeApt) -> None:
    apt.make("wanted-tool")
    assert tools.need("wanted-tool", "wanted") == apt.folder / "wanted-tool"
    assert apt.calls == []


def test_root_installs_and_fetches_the_lists_once(apt: FakeApt) -> None:
    assert tools.need("wanted-tool", "wanted", "more") == apt.folder / "wanted-tool"
    (apt.folder / "wanted-tool").unlink()
    tools.need("wanted-tool", "wanted")
    install = ["install", "--no-install-recommends", "-y"]
    assert apt.calls == [["update"], [*install, "wanted", "more"], [*install, "wanted"]]


def test_a_file_is_wanted_by_its_whole_path(apt: FakeApt) -> None:
    apt.brings = "wanted.h"
    header = apt.folder / "wanted.h"
    for _ in range(2):
        assert tools.need(str(header), "wanted") == header
    assert apt.calls == [["update"], ["install", "--no-install-recommends", "-y", "wanted"]]
    with pytest.raises(pytest.fail.Exception, match=r"/missing\.h is missing although wanted went in"):
        tools.need(str(apt.folder / "missing.h"), "wanted")


def test_others_are_told_the_command(apt: FakeApt, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    with pytest.raises(pytest.fail.Exception, match=r"as root: apt-get update && apt-get install .* -y one two$"):
        tools.need("wanted-tool", "one", "two")
    assert apt.calls == []


def test_failures_quote_what_apt_said(apt: FakeApt) -> None:
    apt.code = 100
    with pytest.raises(pytest.fail.Exception, match=r"exit code 100: E: no such package\nas root: apt-get update"):
        tools.need("wanted-tool", "wanted")


def test_a_package_without_the_program_fails(apt: FakeApt) -> None:
    apt.brings = "something-else"
    with pytest.raises(pytest.fail.Exception, match="although wanted went in"):
        tools.need("wanted-tool", "wanted")


def test_one_installs_at_a_time(apt: FakeApt, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tools, "LOCK_S", 0.0)
    with tools.LOCK.open("w") as held:
        fcntl.flock(held, fcntl.LOCK_SH)  # enough against the exclusive lock, not against another shared one
        with pytest.raises(pytest.fail.Exception, match="another process"):
            tools.need("wanted-tool", "wanted")
    assert apt.calls == []
    assert tools.need("wanted-tool", "wanted").name == "wanted-tool"


def test_what_another_test_brought_meanwhile_is_not_installed_again(
    apt: FakeApt, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lock_after_another(lock: int, operation: int) -> None:
        apt.make("wanted-tool")

    monkeypatch.setattr(fcntl, "flock", lock_after_another)
    assert tools.need("wanted-tool", "wanted") == apt.folder / "wanted-tool"
    assert apt.calls == []
