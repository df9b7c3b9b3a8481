"""Puts the agent on a board over the system's own ssh and starts it there, in one connection.

The user's ssh configuration, keys, jump hosts and known hosts apply, and host-key checking stays as it is. On the far
side only `sh` and a Python 3.9 or later are needed, whatever the login shell: the remote command has no newline and no
quote inside its quotes that shells would treat differently. One interpreter finds the file, takes it in, and becomes
the agent.
"""

import importlib.resources
import json
import re
from dataclasses import dataclass, field

from edgereply.board.answers import Answer, Failed, Needed, Placed, Removed, boot_answer
from edgereply.board.bundle import Bundle
from edgereply.board.process import ProcessLink
from edgereply.errors import BROKE_OFF, BoardError, LinkError, SettingError
from edgereply.system.deadline import Deadline
from edgereply_protocol import Json

MARK = b"\x1eedgereply-boot "
PYTHONS = "python3 python3.14 python3.13 python3.12 python3.11 python3.10 python3.9 python"
CONNECT_S = 60.0
# What a login shell may print before our program is heard, and how long an answer of it may be.
MAX_BANNER, MAX_LINE = 1 << 20, 1 << 16
# Once for each directory that is tried, and some to spare.
MOST_REQUESTS = 8
CLOSE_S = 1.0

_TOO_OLD = 99
# What a list of processes on the board shows.
_LABEL = "edgereply-agent"
_PROGRAM = (
    f"import sys; sys.version_info < (3, 9) and sys.exit({_TOO_OLD}); "
    "exec(sys.stdin.buffer.read(int(sys.stdin.buffer.readline())))"
)
_SEARCH = (
    "for p in {pythons}; do if command -v $p >/dev/null 2>&1; "
    'then $p -I -c "' + _PROGRAM + f'" {_LABEL}; r=$?; if [ $r -ne {_TOO_OLD} ]; then exit $r; fi; fi; done; '
    "echo edgereply: no Python 3.9 or later >&2; exit 127"
)


@dataclass(frozen=True, slots=True)
class Installed:
    """Where the agent's file is on the board.

    Attributes:
        path: the file.
        copied: False when it was already there.
        passed_over: directories that could not be used, with the reason.
        python: the interpreter that runs it.
        version: its version.
    """

    path: str
    copied: bool
    python: str
    version: tuple[int, ...]
    passed_over: list[str] = field(default_factory=list)


def ssh_command(host: str, python: str = "", config: str = "") -> list[str]:
    """The command that reaches a board and waits for our program text.

    Args:
        host: what the user types after ssh.
        python: an interpreter on the board, or "" to look for one.
        config: an ssh configuration file in place of the user's own, or "".

    Raises:
        SettingError: a host or interpreter name that ssh or a shell could take for something else.
    """
    if not host or host.startswith("-") or not re.fullmatch(r"[^\s\x00-\x1f'\"$`\\;|&<>(){}]+", host):
        raise SettingError(f"{host!r} is not a host name", where="host", remedy="give what you would type after ssh")
    if python and not re.fullmatch(r"/?[A-Za-z0-9_][A-Za-z0-9_./+-]*", python):
        raise SettingError(f"{python!r} is not a program's path", where="python", remedy="give a plain path")
    remote = "exec sh -c '" + _SEARCH.format(pythons=python or PYTHONS) + "'"
    alive = ["-o", "ServerAliveInterval=5", "-o", "ServerAliveCountMax=3", "-o", "ConnectTimeout=20"]
    own = ["-F", config] if config else []
    return ["ssh", "-T", *own, *alive, "--", host, remote]


class SshLink:
    """The agent on a board as a stream of bytes. See `ProcessLink` for threads."""

    def __init__(self, link: ProcessLink, installed: Installed, rest: bytes) -> None:
        self._link = link
        self._rest = rest
        self.installed = installed

    @property
    def name(self) -> str:
        """What messages call the board."""
        return self._link.name

    @property
    def complaints(self) -> str:
        """What ssh and the agent wrote to stderr."""
        return self._link.complaints

    def read(self, timeout_s: float) -> bytes | None:
        """Received bytes; empty when none came in time, None at the end."""
        if self._rest:
            data, self._rest = self._rest, b""
            return data
        return self._link.read(timeout_s)

    def write(self, data: bytes) -> None:
        """Send bytes; raises LinkError when the far end is gone."""
        self._link.write(data)

    def close(self, grace_s: float = 5.0) -> int:
        """End the connection."""
        return self._link.close(grace_s)


def start_over_ssh(host: str, bundle: Bundle, python: str = "", config: str = "") -> SshLink:
    """Copy the agent to the board unless it is there, and start it.

    Raises:
        SettingError: an unusable host or interpreter name.
        LinkError: the board cannot be reached; ssh's own words are in the message.
        BoardError: no suitable Python, or no directory to write to.
    """
    boot = _Boot(ProcessLink(ssh_command(host, python, config), host, terminal=True), python)
    try:
        installed = boot.install("run", bundle)
    except BaseException:
        boot.link.close(CLOSE_S)
        raise
    return SshLink(boot.link, installed, boot.rest)


def start_locally(bundle: Bundle, name: str, python: str) -> SshLink:
    """Start the agent on this computer, from the same per-user directory that a board uses.

    Raises:
        LinkError: the interpreter cannot be started.
        BoardError: no directory to write to.
    """
    boot = _Boot(ProcessLink([python, "-I", "-c", _PROGRAM, _LABEL], name), python, local=True)
    try:
        installed = boot.install("run", bundle)
    except BaseException:
        boot.link.close(CLOSE_S)
        raise
    return SshLink(boot.link, installed, boot.rest)


def remove_over_ssh(host: str, python: str = "", config: str = "") -> list[str]:
    """Remove every version of the agent from the board; the directories that were removed."""
    boot = _Boot(ProcessLink(ssh_command(host, python, config), host, terminal=True), python)
    try:
        boot.request({"action": "remove"})
        return boot.answer(Removed).removed
    finally:
        boot.link.close(CLOSE_S)


class _Boot:
    """The talk with `remote_boot`. One deadline holds for all of it, and a bound for what the board may send."""

    def __init__(self, link: ProcessLink, python: str = "", local: bool = False) -> None:
        self.link = link
        self.rest = b""
        self._python, self._local = python, local
        self._deadline = Deadline(CONNECT_S)
        self._printed = 0

    def request(self, request: Json) -> None:
        program = importlib.resources.files("edgereply.board").joinpath("remote_boot.py").read_bytes()
        self._write(b"%d\n" % len(program) + program + json.dumps(request).encode() + b"\n")

    def install(self, action: str, bundle: Bundle) -> Installed:
        self.request({"action": action, "sha256": bundle.digest})
        for _ in range(MOST_REQUESTS):
            answer = self.answer(Needed, Failed, Placed)
            if isinstance(answer, Needed):
                self._write(b"%d\n" % len(bundle.data) + bundle.data)
            elif isinstance(answer, Failed):
                raise BoardError(
                    "no directory on the board takes the agent's file: " + "; ".join(answer.failed),
                    where=self.link.name,
                    remedy="make room in /tmp or in the home directory of that user",
                )
            elif isinstance(answer, Placed):
                return Installed(answer.path, answer.copied, answer.python, tuple(answer.version), answer.passed_over)
        raise LinkError(
            f"the board asked for the agent's file {MOST_REQUESTS} times", where=self.link.name, remedy=self._remedy()
        )

    def answer(self, *kinds: type[Answer]) -> Answer:
        """The next answer, of one of some kinds.

        Raises:
            LinkError: none came in time or within `MAX_BANNER` bytes, or it is something else.
        """
        while True:
            begin = self.rest.find(MARK)
            end = self.rest.find(b"\n", begin) if begin >= 0 else -1
            if end >= 0:
                break
            if self._printed > MAX_BANNER or len(self.rest) > (MAX_LINE if begin >= 0 else MAX_BANNER):
                raise self._failed(f"the board printed {self._printed:,} bytes and no answer")
            data = self.link.read(min(1.0, self._deadline.remaining_s()))
            if data is None:
                raise self._ended()
            if self._deadline.expired():
                raise self._failed(f"the board did not answer within {CONNECT_S:.0f} s")
            self._printed += len(data)
            self.rest = (self.rest if begin < 0 else self.rest[begin:]) + data
            # Of a banner only what could be half a mark is kept.
            self.rest = self.rest if MARK in self.rest else self.rest[-len(MARK) :]
        line, self.rest = self.rest[begin + len(MARK) : end], self.rest[end + 1 :]
        try:
            return boot_answer(line, kinds)
        except ValueError as error:
            raise self._failed(f"the board's answer was garbled ({error})") from error

    def _write(self, data: bytes) -> None:
        try:
            self.link.write(data, max(1.0, self._deadline.remaining_s()))
        except LinkError as error:
            raise self._ended() if error.message == BROKE_OFF else error from error

    def _ended(self) -> LinkError | BoardError:
        return self._failed("the agent's start failed" if self._local else "ssh ended before the agent was there")

    def _remedy(self) -> str:
        if self._local:
            return f"check that '{self._python} -V' says a version, or leave `python` of the board out"
        return f"check that 'ssh {self.link.name} true' works without asking for anything"

    def _failed(self, what: str) -> LinkError | BoardError:
        said = self.link.complaints
        if "no Python 3.9" in said and self._python:
            return BoardError(
                f"{self._python} is not there or is no Python 3.9 or later",
                where=self.link.name,
                remedy="correct `python` of the board in the bench file, or leave it out to have one looked for",
            )
        if "no Python 3.9" in said:
            return BoardError(
                "the board has no Python 3.9 or later on its PATH",
                where=self.link.name,
                remedy="install python3 there, or name it in the bench file: python = '/opt/python/bin/python3'",
            )
        return LinkError(f"{what}: {said[-300:]}" if said else what, where=self.link.name, remedy=self._remedy())
