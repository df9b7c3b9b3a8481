"""What a bench file may say: boards, lines, the pulse source and the stimulus, checked once when read."""

from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from edgereply.config.choices import OUR_RESPONDERS, SOURCES, RouteName, SourceName, software_wires
from edgereply.config.field_types import Duration, Period, TypedLoad, TypedPower
from edgereply.config.load import Load
from edgereply.errors import SettingError
from edgereply_protocol import ROUTES


def _real(ability: str, quote: bool = False) -> str:
    """The routes of real lines that have an ability, in words."""
    names = [name for name, row in ROUTES.items() if getattr(row, ability) and not row.virtual]
    return " or ".join(f"'{name}'" if quote else name for name in names)


class Strict(BaseModel):
    """Refuses unknown keys, so that a typing slip is never silently ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Line(Strict):
    """A GPIO line: by name (all chips are searched when `chip` is empty) or by chip and offset."""

    chip: str = Field(default="", max_length=200)
    line: str | int = ""
    active_low: bool = False
    bias: Literal["as-is", "pull-up", "pull-down", "disabled"] = "as-is"

    def __str__(self) -> str:
        return f"{self.chip}:{self.line}" if self.chip else str(self.line)


def _line(value: object) -> object:
    if isinstance(value, int) and not isinstance(value, bool):
        raise ValueError("write an offset with its chip, such as 'gpiochip0:17'")
    if not isinstance(value, str):
        return value
    chip, colon, line = value.rpartition(":")
    return {"chip": chip, "line": int(line) if colon and line.isdigit() else line}


LineName = Annotated[Line, BeforeValidator(_line)]


class Realtime(Strict):
    """Real-time settings to ask for; each is reported as requested and as it took effect."""

    fifo_priority: int | None = Field(default=None, ge=1, le=99)
    cpus: list[int] | None = Field(default=None, min_length=1, max_length=1024)
    lock_memory: bool = False
    hold_cpu_latency: bool = False


class Source(Strict):
    """The pulse source; `tolerance_ppm` and `serial_number` say what its firmware cannot know about it."""

    kind: SourceName = "virtual"
    port: str = ""
    baud: int | None = Field(default=None, ge=1200, le=4_000_000)
    level_v: float = Field(default=3.3, gt=0, le=30)
    divider: bool = False
    virtual: bool = False
    board: str = ""
    tolerance_ppm: float | None = Field(default=None, ge=0, le=100_000)
    serial_number: str = Field(default="", max_length=80)
    options: dict[str, str | int | float | bool] = {}

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if SOURCES[self.kind].port and not self.port:
            raise ValueError(f"source '{self.kind}' needs 'port', the serial device it is on")
        if self.kind == "board" and not self.board:
            raise ValueError("source 'board' needs 'board', the name of the board that drives the stimulus")
        return self


class Board(Strict):
    """A board under test and how its responder runs; `source` is a pulse source of its own, in place of the bench's."""

    link: Literal["local", "ssh"] = "ssh"
    host: str = ""
    ssh_config: str = ""
    python: str = ""
    responder: Literal["agent", "floor", "external", "observe"] = "agent"
    floor_program: str = Field(default="", max_length=4096)
    route: RouteName = "chardev"
    wait: Literal["block", "spin"] = "block"
    collection: Literal["stream", "quiet"] = "stream"
    input: LineName = Line()
    output: LineName = Line()
    stimulus_line: LineName = Line()
    capture_line: LineName = Line()
    capture_fall_line: LineName = Line()
    stimulus_tap: LineName = Line()
    response_tap: LineName = Line()
    response_fall_tap: LineName = Line()
    hold: Duration = 0
    hardware_clock: bool = False
    realtime: Realtime = Realtime()
    input_limit_v: float = Field(default=3.3, gt=0, le=30)
    power: TypedPower | None = None
    source: Source | None = None
    load: TypedLoad = Load()
    trace: bool = False

    @property
    def ours(self) -> bool:
        """Whether the agent answers: by its own loops, or by the floor program it runs."""
        return self.responder in OUR_RESPONDERS

    @property
    def taps(self) -> dict[str, str]:
        """Lines that are only watched, each with what it is joined to by a jumper."""
        if self.responder != "observe":
            return {}
        joined = [(self.stimulus_tap, self.input, "stimulus"), (self.response_tap, self.output, "output"),
                  (self.response_fall_tap, self.output, "output")]  # fmt: skip
        return {str(tap): str(line) if line.line != "" else word for tap, line, word in joined if tap.line != ""}

    @property
    def how(self) -> str:
        """How it answers, in a few words: the route and wait strategy, or that something else answers."""
        if self.responder == "observe":
            return "own program, observed"
        words = f"{self.route} · {self.wait}" if self.ours else ""
        return words if self.responder == "agent" else " · ".join(filter(None, (words, f"{self.responder} responder")))

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.link == "ssh" and self.responder != "external" and not self.host:
            raise ValueError("link 'ssh' needs 'host', the name you would give to ssh")
        for key in ("host", "ssh_config"):
            if getattr(self, key).startswith("-"):
                raise ValueError(f"'{key}' must not start with '-'")
        if self.responder == "external":
            self._without_agent()
        if self.floor_program and not self.floor_program.startswith("/"):
            raise ValueError("'floor_program' is a path on the board and starts with '/'")
        if self.responder == "floor" and not ROUTES[self.route].floor:
            raise ValueError(f"the floor responder answers by the route {_real('floor')} only")
        if self.responder == "observe":
            self._observable()
        elif self.ours and not software_wires(self.route):
            for name in ("input", "output"):
                if getattr(self, name).line == "":
                    raise ValueError(f"'{name}' is missing: a line name or 'gpiochip0:17'")
            if (self.input.chip, self.input.line) == (self.output.chip, self.output.line):
                raise ValueError(
                    f"'input' and 'output' are one line, {self.input}: each needs a line and a wire of its own"
                )
        return self

    def _without_agent(self) -> None:
        if self.load.any:
            raise ValueError("no agent is there to make 'load'; with responder 'external' load the board yourself")
        if self.trace:
            raise ValueError("no agent is there to 'trace'; with responder 'observe' it looks on while yours answers")

    def _observable(self) -> None:
        if not ROUTES[self.route].kernel_stamps:
            raise ValueError(
                f"responder 'observe' takes kernel stamps: route {_real('kernel_stamps', quote=True)}, "
                f"not '{self.route}'"
            )
        for name in ("stimulus_tap", "response_tap"):
            if getattr(self, name).line == "":
                raise ValueError(
                    f"responder 'observe' needs '{name}', a spare input line: the kernel gives each line to one "
                    "program, and yours holds its own; join the spare line to it by a jumper"
                )


class Stimulus(Strict):
    """When stimuli come, how long they are, and how many."""

    pattern: Literal["periodic", "uniform", "exponential", "pairs"] = "exponential"
    rate: Period = 5_000_000
    floor: Duration = 1_000_000
    spread: Duration = 1_000_000
    shortest_gap: Duration | None = None
    longest_gap: Duration | None = None
    width: Duration = 50_000
    count: int | None = Field(default=None, ge=1, le=2**32 - 1)
    dwell: Duration | None = None
    seed: int = Field(default=1, ge=1, le=2**32 - 1)
    window: Duration = 100_000_000

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.count is not None and self.dwell is not None:
            raise ValueError("give 'count' or 'dwell', not both")
        if self.pattern == "exponential" and self.floor >= self.rate:
            raise ValueError("'floor' must be shorter than the mean interval (1 / rate)")
        if self.shortest_gap and self.longest_gap and self.shortest_gap > self.longest_gap:
            raise ValueError("'shortest_gap' must not be longer than 'longest_gap'")
        return self

    @property
    def stimuli(self) -> int:
        """Number of stimuli that count or dwell amount to (10,000 when neither is given)."""
        if self.dwell is not None:
            return max(1, self.dwell // self.rate)
        return self.count or 10_000


class Bench(Strict):
    """A whole bench file."""

    title: str = Field(default="", max_length=200)
    deadline: Duration | None = None
    board: dict[str, Board] = Field(default_factory=dict)
    source: Source = Source()
    stimulus: Stimulus = Stimulus()

    @model_validator(mode="after")
    def _reachable(self) -> Self:
        if not self.board:
            raise ValueError("there is no board: give it a table with a name of your own, such as [board.gate]")
        for name, board in self.board.items():
            if board.ours and not software_wires(board.route) and SOURCES[self.source_of(name).kind].virtual:
                raise ValueError(
                    f"no pulse source reaches {name!r}: without [source] it is a virtual one, and software wires "
                    "end at boards of route 'virtual'; write [source] with its kind and port, or route = 'virtual' to "
                    "try without hardware"
                )
        return self

    def source_of(self, name: str) -> Source:
        """The pulse source of a board: its own where it has one."""
        return self.board[name].source or self.source

    def pick(self, name: str) -> tuple[str, Board]:
        """The board of that name, or the only one.

        Raises:
            SettingError: unknown name, or several boards and none named.
        """
        known = ", ".join(sorted(self.board))
        if not name and len(self.board) == 1:
            return next(iter(self.board.items()))
        if not name:
            raise SettingError("the bench has several boards", where=known, remedy="choose one with --board")
        if name not in self.board:
            raise SettingError(f"the bench has no board {name!r}", where=known, remedy="use one of these names")
        return name, self.board[name]
