"""What a board tells of itself, and what may stand there: one set of models for its answers and for run files.

An agent of any version, an altered one, or a file from somebody else may hold anything. Checked here once, when it
arrives and when it is read, nobody further up has to ask whether a number is a number. Keys that are not known are let
through unread (newer agents have more), those that are known may be missing (older agents have fewer); what is there
has the right type, strictly: "5" is no number. The values themselves stay as they were sent.
"""

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, ValidationError, model_validator

MOST_ENTRIES = 10_000
Word = Annotated[str, StringConstraints(max_length=10_000)]
Whole = Annotated[int, Field(ge=-(2**63), lt=2**64)]
Counts = Annotated[dict[Word, Whole], Field(max_length=MOST_ENTRIES)]
Words = Annotated[dict[Word, Word | None], Field(max_length=MOST_ENTRIES)]
# May be missing, but is nothing else when it is there.
ABSENT: Any = Field(default=None, validate_default=False)
Number = Annotated[float, Field(allow_inf_nan=False)]


class Facts(BaseModel):
    """Known keys strictly, others as they are."""

    model_config = ConfigDict(extra="allow", strict=True)


class Preemption(Facts):
    """How far the kernel can be interrupted."""

    model: Word | None = None
    dynamic_mode: Word | None = None
    realtime: bool | None = None


class Limits(Facts):
    """What the agent's user may ask for: soft and hard limit; -1 is no limit."""

    user_id: Whole
    rtprio: list[Whole] = Field(min_length=2, max_length=2)
    memlock_bytes: list[Whole] = Field(min_length=2, max_length=2)


class Throttling(Facts):
    """How much of each period real-time processes may take; -1 is all of it."""

    period_us: Whole | None = None
    runtime_us: Whole | None = None


class LoadReport(Facts):
    """What became of load that the agent made."""

    ended: list[Word] = []


class During(Facts):
    """What was counted between start and stop."""

    elapsed_ns: Whole | None = None
    interrupts: Whole | None = None
    system_switches: Whole | None = None
    cpu_ticks: Counts | None = None
    cpu_ns: Counts = {}
    line_interrupts: Counts = {}
    context_switches: dict[Word, Counts] = {}
    reading: Counts = {}
    load: LoadReport | None = None


class TraceReport(Facts):
    """What became of a recording."""

    late: Whole = 0
    usual: Whole = 0
    too_many: Whole = 0
    incomplete: Whole = 0
    not_looked_at: Whole = 0
    events: Whole = 0
    cut_short: bool = False


class Environment(Facts):
    """Facts of the board that decide how quickly it answers; units as in the names."""

    board_ns: Whole | None = None
    python: Word | None = None
    python_implementation: Word | None = None
    machine: Word | None = None
    kernel: Word | None = None
    kernel_version: Word | None = None
    model: Word | None = None
    virtual: bool = False
    virtual_why: Word | None = None
    preemption: Preemption | None = None
    hz: Whole | None = None
    kernel_config: Words = {}
    kernel_words: dict[Word, Word | bool] = Field(default={}, max_length=MOST_ENTRIES)
    clocksource: Word | None = None
    cpus: Word | None = None
    cpu_count: Annotated[int, Field(ge=1, le=1 << 20)] | None = None
    isolated: Word | None = None
    nohz_full: Word | None = None
    idle_states: list[Word | None] = Field(default=[], max_length=MOST_ENTRIES)
    governor: Words = {}
    frequency_khz: dict[Word, Whole | None] = Field(default={}, max_length=MOST_ENTRIES)
    temperatures_mc: Counts = {}
    power: Counts = {}
    limits: Limits | None = None
    realtime_throttling: Throttling | None = None
    memory_kb: Counts = {}
    load: list[Word] = Field(default=[], max_length=8)
    during: During = During()
    trace: TraceReport | None = None


class Realtime(Facts):
    """Real-time settings as they took effect."""

    fifo_priority: Whole | None = None
    cpus: list[Whole] | None = Field(default=None, max_length=MOST_ENTRIES)
    lock_memory: bool | None = None
    hold_cpu_latency: bool | None = None


class LoadMade(Facts):
    """Load that the agent makes: processes, bytes, percent."""

    cpu: Whole = 0
    memory_bytes: Whole = 0
    storage_bytes: Whole = 0
    network: Whole = 0
    duty_percent: Whole = 100


class FloorMade(Facts):
    """How the floor program was made."""

    version: Word = ""
    options: list[Word] = Field(default=[], max_length=64)
    sha256: Word = ""


class HardwareClock(Facts):
    """Whether the kernel would stamp edges of the input by a clock in hardware, and if not, why."""

    granted: bool
    why: Word = ""


class Plan(Facts):
    """A plan of stimuli as it took effect."""

    pattern: Word = ""
    period_ns: int = Field(default=1, gt=0, lt=2**63)
    width_ns: int = Field(default=0, ge=0, lt=2**63)
    floor_ns: int = Field(default=0, ge=0, lt=2**63)
    spread_ns: int = Field(default=0, ge=0, lt=2**63)
    shortest_gap_ns: int = Field(default=0, ge=0, lt=2**63)
    longest_gap_ns: int = Field(default=0, ge=0, lt=2**63)
    count: int = Field(default=0, ge=0, lt=2**63)
    seed: Whole = 0


class TraceMade(Facts):
    """What of the kernel is recorded beside late answers, or why nothing is."""

    on: bool = False
    why: Word | None = None
    clock: Word | None = None
    cpus: list[Whole] = Field(default=[], max_length=MOST_ENTRIES)
    ring_kb: Whole | None = None
    events: list[Word] = Field(default=[], max_length=256)
    deadline_ns: Whole | None = None
    event_ns: Annotated[int, Field(ge=0, lt=10**9)] | None = None
    pids: dict[Word, Annotated[int, Field(ge=0, lt=2**32)]] = Field(default={}, max_length=256)


class InEffect(Facts):
    """A task's settings as they took effect."""

    task: Word | None = None
    route: Word | None = None
    wait: Word | None = None
    collection: Word | None = None
    responder: Word | None = None
    capacity: Whole | None = None
    dead_man_s: Whole | None = None
    hold_ns: Whole | None = None
    guard_s: Whole | None = None
    event_clock: Word | None = None
    event_buffer: Whole | None = None
    lost_edges_seen: bool | None = None
    lines: dict[Word, dict[Word, Any]] = Field(default={}, max_length=MOST_ENTRIES)
    realtime: Realtime | None = None
    load: LoadMade | None = None
    floor: FloorMade | None = None
    hardware_clock: HardwareClock | None = None
    observer: Counts | None = None
    trace: TraceMade | None = None
    plan: Plan = Plan()


class AskedBoard(Facts):
    """What a run asked of its board, as far as it is read again."""

    link: Word = ""
    host: Word = ""
    route: Word = ""
    wait: Word = ""
    collection: Word = ""
    responder: Word = "agent"
    hold: Whole = 0
    realtime: Realtime | None = None
    load: LoadMade | None = None
    trace: bool = False


class AskedStimulus(Facts):
    """What a run asked of its source; times in nanoseconds."""

    pattern: Word | None = None
    rate: Whole | None = None
    floor: Whole | None = None
    spread: Whole | None = None
    shortest_gap: Whole | None = None
    longest_gap: Whole | None = None
    width: Whole | None = None
    count: Whole | None = None
    dwell: Whole | None = None
    seed: Whole | None = None
    window: Whole | None = None


class Asked(Facts):
    """What a run was asked for."""

    board: AskedBoard = AskedBoard()
    stimulus: AskedStimulus = AskedStimulus()


class Temperature(Facts):
    """In thousandths of a degree."""

    sensor: Word
    mean_mc: Whole
    max_mc: Whole


class Supply(Facts):
    """Power in microwatts, and where it was read."""

    origin: Word = Field(alias="from")
    sensor: Word
    mean_uw: Whole
    min_uw: Whole
    max_uw: Whole
    accuracy_uw: Whole | None
    readings: int = Field(ge=1, lt=2**63)
    sensors: Whole = 1


class Frequency(Facts):
    """Of the processors."""

    min_khz: Whole
    max_khz: Whole


class Throttled(Facts):
    """Whether anything was there to tell, and what did."""

    watched: bool = False
    signs: list[Word] = []


class Memory(Facts):
    """Least that was free."""

    least_available_kb: Whole


class LoadAverage(Facts):
    """In thousandths."""

    mean_milli: Whole
    max_milli: Whole


class Context(Facts):
    """What the board went through during a run."""

    readings: Annotated[int, Field(ge=0, lt=2**63)] = 0
    began_ns: Whole = 0
    ended_ns: Whole = 0
    temperature: Temperature = ABSENT
    frequency: Frequency = ABSENT
    throttled: Throttled = Throttled()
    memory: Memory = ABSENT
    load: LoadAverage = ABSENT
    power: Supply = ABSENT


class Busy(Facts):
    """How busy the board was apart from the measurement."""

    others_share: Number | None = None
    run_queue: Number | None = None
    interrupts_per_s: Number | None = None
    load_made: bool = False
    busy: bool
    trouble: list[Word] = []

    @model_validator(mode="after")
    def _busy_by_how_much(self) -> "Busy":
        if self.busy and self.others_share is None:
            raise ValueError("busy without a share")
        return self


def complaints(model: type[BaseModel], value: object, most: int = 2) -> list[str]:
    """What is wrong with a value, a line each; none where it is as the model has it."""
    try:
        model.model_validate(value)
    except ValidationError as error:
        return [
            f"{'.'.join(map(str, item['loc'])) or 'it'}: {item['msg'][:1].lower()}{item['msg'][1:]}"
            for item in error.errors(include_url=False, include_input=False, include_context=False)[:most]
        ]
    return []


def _as(model: type[BaseModel]) -> Callable[[dict[str, Any]], dict[str, Any]]:
    def check(value: dict[str, Any]) -> dict[str, Any]:
        if value and (wrong := complaints(model, value)):
            raise ValueError("; ".join(wrong))
        return value

    return check


EnvironmentFacts = Annotated[dict[str, Any], AfterValidator(_as(Environment))]
InEffectFacts = Annotated[dict[str, Any], AfterValidator(_as(InEffect))]
PlanFacts = Annotated[dict[str, Any], AfterValidator(_as(Plan))]
AskedFacts = Annotated[dict[str, dict[str, Any]], AfterValidator(_as(Asked))]
ContextFacts = Annotated[dict[str, Any], AfterValidator(_as(Context))]
ActivityFacts = Annotated[dict[str, Any], AfterValidator(_as(Busy))]
