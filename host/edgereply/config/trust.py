"""Programs on this computer that a bench file may run: asked for once, and again when they have changed.

Two settings of a board start a program here: `python` of a local board, and `ssh_config`, in which a proxy command, a
local command or `Match exec` can stand. A bench file that came with a bundle or from somebody else may hold either. So
a file named there is used only when it bears a mark of trust, which is made of its path and its contents and kept with
the user's state (XDG Base Directory Specification): on a terminal one is asked, `--trust` says yes beforehand, and
otherwise it is refused. What the user typed on the command line, the interpreter that runs this program, and the user's
own `~/.ssh` need no mark; what was typed for `init` gets one, since the file that it writes names it.
"""

import contextlib
import hashlib
import os
import shutil
import stat
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from edgereply.config.settings import Board
from edgereply.errors import SettingError, StoreError

MOST_BYTES = 1 << 30

Ask = Callable[[str], bool]


@dataclass(slots=True)
class Consent:
    """How the user answers in this process; the command line sets it.

    Attributes:
        given: `--trust` was typed.
        ask: puts a question on the terminal and says whether the answer was yes; None where there is no terminal.
    """

    given: bool = False
    ask: Ask | None = None


consent = Consent()
_one_question = threading.Lock()


def require_trust(name: str, board: Board) -> None:
    """Let a board's settings start a program on this computer, or refuse.

    Raises:
        SettingError: the file bears no mark, and nobody said yes.
        StoreError: the mark cannot be kept.
    """
    for key, path in started_by(board):
        with _one_question:  # boards are opened from several threads
            mark = _mark(key, path)
            if (_marks() / mark).exists():
                continue
            what = f"'{key}' of the board {name} has this computer {_USE[key]} {path}"
            if consent.given or (consent.ask is not None and consent.ask(f"{what}. Is that file to be trusted?")):
                _keep(mark)
                continue
            raise SettingError(
                f"{what}, and nobody has said that it may",
                where=f"board.{name}.{key}",
                remedy="look into that file; if it is yours or you trust it, give --trust once",
            )


def trust_typed(board: Board) -> None:
    """Mark what the user has just typed, where a bench file is written that names it: nobody else put it there.

    Raises:
        SettingError: it is no regular file.
        StoreError: the mark cannot be kept.
    """
    for key, path in started_by(board):
        _keep(_mark(key, path))


def started_by(board: Board) -> list[tuple[str, Path]]:
    """Files that the settings would have used here: the key, and the file's path with links in it kept."""
    found: list[tuple[str, str]] = []
    if board.link == "local" and board.python:
        found.append(("python", board.python))
    if board.link == "ssh" and board.ssh_config not in ("", os.devnull):
        found.append(("ssh_config", board.ssh_config))
    paths = [(key, _place(key, text)) for key, text in found]
    own = Path.home() / ".ssh"
    return [(key, path) for key, path in paths
            if not (key == "python" and path == _place(key, sys.executable))
            and not (key == "ssh_config" and path.resolve().is_relative_to(own.resolve()))]  # fmt: skip


_USE = {"python": "run", "ssh_config": "use, with every program named in it,"}


def _place(key: str, text: str) -> Path:
    """Where the file is; a program without a slash is looked for as the system does it."""
    if key == "python" and "/" not in text:
        text = shutil.which(text) or text
    # Links stay in it: beside a link to a harmless interpreter something else can lie that it reads. And "~" is a name
    # like any other to whoever opens it then.
    return Path.cwd() / text


def _mark(key: str, path: Path) -> str:
    digest = hashlib.sha256(f"{key}\0{path}\0".encode("utf-8", "surrogateescape"))
    with contextlib.suppress(OSError):  # whoever would use it says what is wrong with it
        facts = path.stat()
        # A pipe or a device has other contents each time, or none that end.
        if not stat.S_ISREG(facts.st_mode) or facts.st_size > MOST_BYTES:
            raise SettingError(
                f"{path} is no file of at most {MOST_BYTES >> 30} GiB", where=key, remedy="name a file in its place"
            )
        with path.open("rb") as file:
            digest.update(hashlib.file_digest(file, "sha256").digest())
    return digest.hexdigest()


def _marks() -> Path:
    state = Path(os.environ.get("XDG_STATE_HOME", ""))
    return (state if state.is_absolute() else Path.home() / ".local/state") / "edgereply/trusted"


def _keep(mark: str) -> None:
    try:
        _marks().mkdir(mode=0o700, parents=True, exist_ok=True)
        (_marks() / mark).touch(mode=0o600)
    except OSError as error:
        raise StoreError(
            f"the mark of trust cannot be kept: {error.strerror}", where=str(_marks()), remedy="make room there"
        ) from error
