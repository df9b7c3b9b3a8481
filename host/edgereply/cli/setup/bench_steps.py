"""The questions behind a bench file, one step each: board, lines, source, levels, deadline; options answer them too."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from edgereply.board.line_choice import ListedLine, find, having, likely, lines_of
from edgereply.cli.setup.questions import Questions
from edgereply.config.bench_file import parse_bench
from edgereply.config.choices import SOURCES
from edgereply.config.settings import Board
from edgereply.errors import HostError, SettingError
from edgereply.measurement.assembly import open_board, open_source
from edgereply.sources.base import SourceIdentity
from edgereply.sources.discovery import FoundPort, instruments, ports, who_is_on
from edgereply.wording.units import parse_duration_ns

Say = Callable[[str], None]
Data = dict[str, Any]

REACHES = {
    "ssh": "over ssh: a Linux board (Python 3.9 or later on it)",
    "local": "this computer is the board",
    "external": "no agent on it: firmware or a program of your own answers",
    "virtual": "none yet: software wires on this computer, to try it out (virtual)",
}
KINDS = {
    "reference": "our firmware on a chip board: times both edges; the one for claims",
    "self": "two more lines of the board itself: kernel stamps, no parts but wires",
    "generator": "a function generator that speaks SCPI: stimuli only",
    "lines": "a bare USB-serial adapter: stimuli only, coarse",
}
NAMED = re.compile(r"[A-Za-z0-9_-]+")
# Levels of the two chips that our firmware is for.
_CHIP_LEVELS = {"328": "5", "2040": "3.3"}


@dataclass(slots=True)
class Given:
    """What the command line said; empty or None where it said nothing."""

    reach: str = ""
    host: str = ""
    ssh_config: str = ""
    name: str = ""
    input: str = ""
    output: str = ""
    source: str = ""
    port: str = ""
    baud: int | None = None
    level_v: float | None = None
    input_limit_v: float = 3.3
    divider: bool | None = None
    stimulus_line: str = ""
    capture_line: str = ""
    deadline: str = ""
    rate: str = "200/s"
    count: int = 10_000
    tried: bool = True

    @property
    def by_agent(self) -> bool:
        """Whether our agent runs on the board, which then has lines to name."""
        return self.reach in ("ssh", "local")


def missing(given: Given) -> list[str]:
    """Options that have to be there where nobody can be asked."""
    wanted: dict[str, object] = {"--host HOST, or --reach " + "|".join(REACHES): given.reach}
    if given.by_agent:
        wanted |= {"--input LINE": given.input, "--output LINE": given.output}
    if given.reach != "virtual":
        wanted["--source " + "|".join(KINDS)] = given.source
        if given.source == "self":
            wanted |= {"--stimulus-line LINE": given.stimulus_line, "--capture-line LINE": given.capture_line}
        elif given.source:
            wanted |= {"--port PORT": given.port, "--level VOLTS": given.level_v}
            if given.level_v is not None and given.level_v > given.input_limit_v:
                wanted["--divider or --no-divider"] = given.divider is not None
    return [option for option, value in (wanted | {"--deadline TIME": given.deadline}).items() if not value]


def collect(given: Given, ask: Questions | None, say: Say) -> Data:
    """Ask for what was not given, trying board and source at once.

    Args:
        given: what is known; it is completed on the way.
        ask: asks; None where nobody can be asked and everything is given.
        say: takes sentences about what goes on.

    Returns:
        Contents of a bench file, checked.

    Raises:
        HostError: nobody can be asked, and board, source or an answer cannot be used.
    """
    report = _board(given, ask, say)
    _lines(given, ask, report)
    identity = _source(given, ask, say, report)
    _levels(given, ask, identity)
    if ask is not None and not given.deadline:
        ask.show("5 of 5 · Deadline")
        given.deadline = ask.value("The latest answer that is still of use, such as 2ms", _time)
    data = bench_data(given, report)
    parse_bench(data, "the answers")
    return data


def bench_data(given: Given, report: Data | None = None) -> Data:
    """Contents of a bench file from what is known."""
    board: Data = {}
    if given.reach == "ssh":
        board |= {"host": given.host} | ({"ssh_config": given.ssh_config} if given.ssh_config else {})
    elif given.reach == "external":
        board["responder"] = "external"
    else:
        board["link"] = "local"
    if given.reach == "virtual":
        board["route"] = "virtual"
    elif (route := _route(report)) not in ("", "chardev") and given.by_agent:
        board["route"] = route
    for key in ("input", "output", "stimulus_line", "capture_line"):
        if value := getattr(given, key):
            board[key] = value
    if given.reach != "virtual":
        board["input_limit_v"] = given.input_limit_v
    kind = "virtual" if given.reach == "virtual" else given.source
    source: Data = {"kind": kind}
    if SOURCES[kind].port:
        source["port"] = given.port
        if given.baud:
            source["baud"] = given.baud
        source |= {"level_v": given.level_v or 3.3, "divider": bool(given.divider)}
    stimulus: Data = {"pattern": "periodic"} if kind == "generator" else {}
    return {
        "deadline": given.deadline or "2ms",
        "board": {given.name: board},
        "source": source,
        "stimulus": {**stimulus, "rate": given.rate, "count": given.count},
    }


# The steps


def _board(given: Given, ask: Questions | None, say: Say) -> Data | None:
    """Which board, tried by an inspection. Returns what the inspection found, None where there was none."""
    if ask is not None and not given.reach:
        ask.show("1 of 5 · Board")
        given.reach = ask.choice("Which", list(REACHES.items()))
    report = None
    while given.by_agent:
        if given.reach == "ssh" and not given.host:
            assert ask is not None
            given.host = ask.value("What you type after ssh", _not_empty)
        if not given.tried:
            break
        try:
            report = _inspected(given, say)
            break
        except HostError as error:
            if ask is None:
                raise
            _told(ask, error)
            again = [("again", "try again"), ("other", "another one"), ("keep", "keep it untried")]
            chosen = ask.choice("And now", again if given.reach == "ssh" else [again[0], again[2]])
            if chosen == "keep":
                break
            if chosen == "other":
                given.host = ""
    if not given.name:
        usual = _usual_name(given)
        given.name = usual if ask is None else ask.value("A name for it, for files and tables", _board_name, usual)
    _board_name(given.name)
    return report


def _inspected(given: Given, say: Say) -> Data:
    board = Board(
        link="local" if given.reach == "local" else "ssh",
        host=given.host,
        ssh_config=given.ssh_config,
        responder="external",
    )
    say(f"opening the board {given.host or 'on this computer'}")
    with open_board(given.host or "this computer", board, typed=True) as client:
        report: Data = client.inspect()
    environment = report.get("environment", {})
    lines = lines_of(report)
    free = sum(not line.user for line in lines)
    model = environment.get("model") or "unknown model"
    say(f"{model}, kernel {environment.get('kernel')}, {len(lines)} lines, {free} free")
    routes = report.get("routes", {})
    if not _route(report):
        for name, item in routes.items():
            say(f"route {name} cannot be used: {item.get('why')}; {item.get('remedy') or 'see edgereply inspect'}")
    return report


def _route(report: Data | None) -> str:
    """The first route that the board has; "" where none, or where nobody looked."""
    routes = (report or {}).get("routes", {})
    return next((name for name in ("chardev", "gpiod", "sysfs") if routes.get(name, {}).get("available")), "")


def _lines(given: Given, ask: Questions | None, report: Data | None) -> None:
    if not given.by_agent:
        return
    lines = lines_of(report) if report else []
    roles = {"input": "Input, where the stimulus arrives", "output": "Output, where the response leaves"}
    if ask is not None and not (given.input and given.output):
        ask.show("2 of 5 · Lines")
        _choose(given, ask, lines, roles)
    for role in roles:
        if lines:
            find(lines, getattr(given, role), role)
    if given.input == given.output:
        raise SettingError(
            f"input and output are one line, {given.input}", where="lines", remedy="each needs a line of its own"
        )


def _choose(given: Given, ask: Questions, lines: list[ListedLine], roles: dict[str, str]) -> None:
    """Ask for lines by name or place, those of a board that was inspected from its list."""
    wanted = {role: words for role, words in roles.items() if not getattr(given, role)}
    if lines:
        ask.rows([line.row for line in likely(lines)], "type a part of a name, or 'all'")
    taken = {getattr(given, role) for role in roles} - {""}
    for role, words in wanted.items():
        while True:
            text = ask.value(words, _not_empty)
            if not lines or text in {name for line in lines for name in (line.place, line.name)}:
                try:
                    if lines:
                        find(lines, text, role)
                    if text in taken:
                        raise SettingError(f"{text} is taken already", remedy="each wire needs a line of its own")
                except SettingError as error:
                    _told(ask, error)
                    continue
                setattr(given, role, text)
                taken.add(text)
                break
            found = lines if text == "all" else having(lines, text)
            ask.rows([line.row for line in found] or [f"no line has {text!r} in its name"], "type more of the name")


def _source(given: Given, ask: Questions | None, say: Say, report: Data | None) -> SourceIdentity | None:
    """Which source, identified at once. Returns what it said, None where nobody asked it."""
    if given.reach == "virtual":
        return None
    if ask is not None and not given.source:
        ask.show("3 of 5 · Pulse source")
        given.source = ask.choice("Which", [(k, w) for k, w in KINDS.items() if k != "self" or given.by_agent])
    if given.source not in KINDS:
        raise SettingError(
            f"{given.source!r} is no pulse source that can be set up here", where="--source",
            remedy=f"use one of {', '.join(KINDS)}; 'Choosing a source' in the documentation has the others",
        )  # fmt: skip
    if given.source == "self":
        _own_lines(given, ask, lines_of(report) if report else [])
        return None
    return _on_port(given, ask, say)


def _own_lines(given: Given, ask: Questions | None, lines: list[ListedLine]) -> None:
    """Two more lines of the board, where it is its own source."""
    roles = {"stimulus_line": "Stimulus line, wired to the input", "capture_line": "Capture line, wired to the output"}
    if ask is not None and not (given.stimulus_line and given.capture_line):
        _choose(given, ask, lines, roles)
    for role in roles:
        if lines:
            find(lines, getattr(given, role), role)


def _on_port(given: Given, ask: Questions | None, say: Say) -> SourceIdentity | None:
    """The port that a source is on, and what the source says; asked again until it answers or is kept untried."""
    while True:
        if not given.port:
            assert ask is not None
            given.port = _port(ask, given.source, _found(given.source, say), say)
        if not given.tried:
            return None
        try:
            return _identified(given, say)
        except HostError as error:
            if ask is None:
                raise
            _told(ask, error)
            again = [("again", "try again"), ("other", "another port"), ("keep", "keep it untried")]
            chosen = ask.choice("And now", again)
            if chosen == "keep":
                return None
            if chosen == "other":
                given.port = ""


def _found(kind: str, say: Say) -> list[FoundPort]:
    """What a source of that kind may be on: only a generator speaks SCPI over more than serial lines."""
    if kind != "generator":
        return ports()
    say("looking for instruments and serial ports")
    return [*instruments(), *ports()]


def _port(ask: Questions, kind: str, found: list[FoundPort], say: Say) -> str:
    """A port by its number in the list, or as it is typed."""
    if found and kind == "reference":
        many = "this port" if len(found) == 1 else f"these {len(found)} ports"
        ask.rows([f"{port.device:<16} {port.words}" for port in found], "name it all the same")
        ask.show("  Asking sends *IDN? and may reset a chip board: not where something that moves hangs on a port.")
        if ask.agree(f"Ask {many} for a reference source", True):
            for place, port in enumerate(found):
                say(f"asking {port.device}")
                found[place] = FoundPort(port.device, who_is_on(port.device))
    if not found:
        ask.show("  nothing is there now; name it as it will be, or an address such as socket://host:5025")
    ask.rows([f"{number}  {port.device:<16} {port.words}" for number, port in enumerate(found, 1)], "name it")

    def read(text: str) -> str:
        if text.isdigit() and 1 <= int(text) <= len(found):
            return found[int(text) - 1].device
        if not text or text.isdigit():
            raise ValueError("give a port of the list by its number, or another by its name")
        return text

    usual = next((str(number) for number, port in enumerate(found, 1) if port.words.startswith("reference")), "")
    return ask.value("Port", read, usual)


def _identified(given: Given, say: Say) -> SourceIdentity:
    bench = parse_bench(bench_data(given), "the answers")
    say(f"opening the pulse source ({given.source}) on {given.port}")
    with open_source(bench, given.name) as source:
        identity = source.identity
    say(f"{identity.model}, serial {identity.serial or 'none'}, firmware {identity.firmware}")
    return identity


def _levels(given: Given, ask: Questions | None, identity: SourceIdentity | None) -> None:
    if given.reach == "virtual" or given.source == "self":
        return
    if ask is not None and given.level_v is None:
        model = identity.model if identity else ""
        usual = next((volts for part, volts in _CHIP_LEVELS.items() if part in model), "3.3")
        ask.show("4 of 5 · Levels. Too high a voltage destroys an input: look both up.")
        given.level_v = ask.value("Level of the source's pulses, in V", _volts, usual)
        given.input_limit_v = ask.value("The most the board's input bears, in V", _volts, f"{given.input_limit_v:g}")
    if (given.level_v or 0) > given.input_limit_v and given.divider is None and ask is not None:
        ask.show(f"  {given.level_v:g} V would destroy an input that bears {given.input_limit_v:g} V.")
        given.divider = ask.agree("Does a divider or level shifter stand between them", False)
        if not given.divider:
            ask.show("  Then do not connect them: the file says so, and measure refuses until a divider is there.")


# What can be read


def _told(ask: Questions, error: HostError) -> None:
    ask.show(f"  ! {error.message}")
    if error.remedy:
        ask.show(f"    {error.remedy}")


def _usual_name(given: Given) -> str:
    if given.reach != "ssh":
        return "gate"
    return re.sub(r"[^A-Za-z0-9_-]+", "-", given.host.rpartition("@")[2].partition(".")[0]).strip("-") or "gate"


def _not_empty(text: str) -> str:
    if not text:
        raise ValueError("this needs an answer")
    return text


def _board_name(text: str) -> str:
    if not NAMED.fullmatch(text):
        raise SettingError(f"{text!r} is no name for a board", where="--name", remedy="use letters, digits, - and _")
    return text


def _time(text: str) -> str:
    if parse_duration_ns(text) == 0:
        raise ValueError("a time above zero is needed, such as 2ms")
    return text


def _volts(text: str) -> float:
    value = float(text.lower().removesuffix("v").strip())
    if not 0 < value <= 30:
        raise ValueError("give a level above 0 and up to 30 V")
    return value
