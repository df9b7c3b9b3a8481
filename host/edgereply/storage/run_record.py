"""The record of one run: everything about it but the stamps, as `run.json`."""

from datetime import UTC, datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from edgereply.storage.board_facts import (
    ActivityFacts,
    AskedFacts,
    ContextFacts,
    EnvironmentFacts,
    InEffectFacts,
    PlanFacts,
)
from edgereply.wording.units import LONGEST_NS

FORMAT = 1
CONTEXT = "context.jsonl"

HISTORY = {1: "first format"}

Evidence = Literal["loop-back", "inside", "joined", "imported"]


class Part(BaseModel):
    """A committed file of stamps, relative to the run's directory."""

    model_config = ConfigDict(extra="allow")

    file: str
    rows: int = Field(ge=0)
    sha256: str = Field(min_length=64, max_length=64)


class SourceRecord(BaseModel):
    """The pulse source as it named itself, and the plan as it took effect; or what recorded an imported run.

    `resolution_ns` is that of a recording: the rectangle within which one of its stamps lies.
    """

    model_config = ConfigDict(extra="allow")

    kind: str
    model: str = ""
    serial: str = ""
    firmware: str = ""
    tick_hz: int = 0
    tolerance_ppm: float = Field(default=0.0, ge=0, le=1e6)
    resolution_ns: float = Field(default=0.0, ge=0, le=LONGEST_NS)
    captures: bool = True
    plan: PlanFacts = {}


class RunRecord(BaseModel):
    """One condition held for N stimuli. Times are integer nanoseconds; unknown keys of newer minor versions are kept.

    `state` is `running` from the first byte on; a record still saying so belongs to a run that was cut off, and its
    committed parts are good. `summary` and `counts` are derived and can be computed again from the parts at any time.
    """

    model_config = ConfigDict(extra="allow")

    format: int = Field(default=FORMAT, ge=1)
    tool: str
    run_id: str
    created: str
    title: str = ""
    board: str
    evidence: Evidence
    virtual: bool
    state: Literal["running", "complete", "incomplete"] = "running"
    reason: str = ""
    requested: AskedFacts
    in_effect: InEffectFacts = {}
    source: SourceRecord
    environment_before: EnvironmentFacts = {}
    environment_after: EnvironmentFacts = {}
    fixture: dict[str, Any] | None = None
    context: ContextFacts = {}
    activity: ActivityFacts = {}
    deadline_ns: int | None = Field(default=None, gt=0, le=LONGEST_NS)
    window_ns: int = Field(gt=0, le=LONGEST_NS)
    counts: dict[str, int] = {}
    summary: dict[str, Any] = {}
    warnings: list[str] = []
    repeat: list[str] = []
    parts: list[Part] = []
    finished: str = ""


def graded(evidence: str, virtual: bool) -> str:
    """A grade of evidence as it stands beside every figure: "loop-back", "virtual · loop-back"."""
    return f"virtual · {evidence}" if virtual else evidence


def now_iso() -> str:
    """The present time in UTC, ISO 8601 with seconds."""
    return datetime.now(UTC).isoformat(timespec="seconds")
