"""What a bench file may have run on this computer: only what bears a mark of trust."""

from __future__ import annotations

import os
import shutil
import stat
import sys
from pathlib import Path

import pytest

from edgereply.config import trust
from edgereply.config.settings import Board
from edgereply.config.trust import Consent, require_trust, started_by
from edgereply.errors import SettingError, StoreError
from edgereply.measurement.assembly import open_board


@pytest.fixture
def program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A file somebody sent; marks are kept beside it, and nobody has said anything."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setattr(trust, "consent", Consent())
    path = tmp_path / "python"
    path.write_text("#!/bin/sh\ntouch touched\n")
    path.chmod(0o755)
    return path


def local(path: Path | str) -> Board:
    return Board(link="local", responder="external", python=str(path))


def far(path: Path | str) -> Board:
    return Board(host="board", responder="external", ssh_config=str(path))


@pytest.mark.parametrize("make", [local, far])
def test_without_a_word_nothing_is_run(program: Path, make: object) -> None:
    board = local(program) if make is local else far(program)
    with pytest.raises(SettingError, match=f"{program}.*nobody has said that it may") as raised:
        require_trust("gate", board)
    assert raised.value.exit_code == 2
    assert "--trust" in raised.value.remedy
    assert raised.value.where in ("board.gate.python", "board.gate.ssh_config")


def test_opening_a_board_of_a_bench_file_asks_first(
    program: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SettingError, match="nobody has said"), open_board("gate", local(program)):
        pass
    assert not (tmp_path / "touched").exists()


def test_the_word_given_is_remembered_for_that_file_as_it_is(program: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    trust.consent.given = True
    require_trust("gate", local(program))
    monkeypatch.setattr(trust, "consent", Consent())
    require_trust("another", local(program))
    for other in (far(program), local(shutil.copy(program, program.with_name("python2")))):
        with pytest.raises(SettingError):
            require_trust("gate", other)
    program.write_text("#!/bin/sh\nsomething else\n")
    with pytest.raises(SettingError):
        require_trust("gate", local(program))


@pytest.mark.parametrize("answer", [True, False])
def test_on_a_terminal_one_is_asked_once(program: Path, answer: bool) -> None:
    asked: list[str] = []

    def ask(question: str) -> bool:
        asked.append(question)
        return answer

    trust.consent.ask = ask
    for _ in range(2):
        if answer:
            require_trust("gate", far(program))
        else:
            with pytest.raises(SettingError):
                require_trust("gate", far(program))
    assert len(asked) == (1 if answer else 2)
    assert str(program) in asked[0]
    assert "every program named in it" in asked[0]


def test_what_needs_no_mark(program: Path) -> None:
    own = Path(os.environ["HOME"]) / ".ssh/lab"
    own.parent.mkdir(parents=True)
    own.write_text("Host board\n")
    for board in (
        local(""),
        local(sys.executable),
        far(""),
        far(own),
        Board(host="b", responder="external", python="/bin/x"),
    ):
        require_trust("gate", board)
        assert started_by(board) == []


def test_an_environment_that_links_to_our_interpreter_needs_a_mark(program: Path, tmp_path: Path) -> None:
    """Beside the link a `sitecustomize` can lie, which Python runs at its start."""
    link = tmp_path / "venv/bin/python"
    link.parent.mkdir(parents=True)
    link.symlink_to(sys.executable)
    with pytest.raises(SettingError):
        require_trust("gate", local(link))


def test_a_link_out_of_the_users_ssh_directory_needs_a_mark(program: Path) -> None:
    own = Path(os.environ["HOME"]) / ".ssh"
    own.mkdir(parents=True)
    (own / "lab").symlink_to(program)
    with pytest.raises(SettingError):
        require_trust("gate", far(own / "lab"))


def test_a_name_is_looked_for_as_the_system_does(program: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", f"/nowhere:{program.parent}")
    assert started_by(local("python")) == [("python", program)]
    assert started_by(local("./python")) == [("python", Path.cwd() / "./python")]


def test_marks_are_the_users_alone_and_a_full_disk_is_told(program: Path, tmp_path: Path) -> None:
    trust.consent.given = True
    require_trust("gate", local(program))
    (mark,) = (tmp_path / "state/edgereply/trusted").iterdir()
    assert stat.S_IMODE(mark.stat().st_mode) == 0o600
    assert stat.S_IMODE(mark.parent.stat().st_mode) == 0o700
    shutil.rmtree(tmp_path / "state")
    (tmp_path / "state").write_text("in the way")
    with pytest.raises(StoreError, match="cannot be kept"):
        require_trust("gate", local(program))


def test_a_home_directory_by_its_sign_is_no_home_directory_of_ours(
    program: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody expands it later: ssh would open a file below a directory whose name is the sign."""
    monkeypatch.chdir(tmp_path)
    assert started_by(far("~/.ssh/config")) == [("ssh_config", tmp_path / "~/.ssh/config")]
    with pytest.raises(SettingError, match="nobody has said"):
        require_trust("gate", far("~/.ssh/config"))


@pytest.mark.parametrize("kind", ["pipe", "device", "folder"])
def test_what_has_no_contents_that_stay_cannot_be_trusted(program: Path, tmp_path: Path, kind: str) -> None:
    trust.consent.given = True
    place = {"pipe": tmp_path / "pipe", "device": Path("/dev/zero"), "folder": tmp_path}[kind]
    if kind == "pipe":
        os.mkfifo(place)
    with pytest.raises(SettingError, match="is no file"):
        require_trust("gate", far(place))


def test_nothing_at_all_needs_no_mark(program: Path) -> None:
    require_trust("gate", far("/dev/null"))


def test_a_file_that_comes_later_is_asked_for_again(
    program: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trust.consent.given = True
    require_trust("gate", far(tmp_path / "later"))
    monkeypatch.setattr(trust, "consent", Consent())
    require_trust("gate", far(tmp_path / "later"))
    (tmp_path / "later").write_text("Host *\n")
    with pytest.raises(SettingError, match="nobody has said"):
        require_trust("gate", far(tmp_path / "later"))
