"""The null measurement: what the fixture itself adds, with stimulus jumpered to capture; kept beside the bench file."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel, Field, ValidationError

from edgereply.analysis.arrays.uncertainty import interval_budget
from edgereply.analysis.pairing.one_clock import pair
from edgereply.analysis.pairing.result import Status
from edgereply.analysis.statistics.summary import mean_and_std
from edgereply.config.validation import explain_validation
from edgereply.errors import DataError, SettingError, SourceError, StoreError
from edgereply.sources.base import PulseSource, SourceIdentity, StimulusPlan
from edgereply.storage.run_record import now_iso
from edgereply.storage.stamps import RISE, STIMULUS
from edgereply.system.deadline import Deadline

WINDOW_NS = 10_000_000
PLAN = StimulusPlan(
    pattern="exponential", period_ns=5_000_000, floor_ns=1_000_000, width_ns=200_000, count=1000, seed=7
)


class FixtureRecord(BaseModel):
    """One null measurement. Times in nanoseconds; `delay_ns` is the mean, `expanded_ns` its k = 2 uncertainty."""

    format: int = Field(default=1, ge=1, le=1)
    created: str
    model: str
    serial: str
    virtual: bool
    count: int
    missed: int
    delay_ns: float
    shortest_ns: int
    longest_ns: int
    tick_ns: float
    budget: dict[str, float]

    def sentence(self) -> str:
        """The fixture's delay as a remark on a run."""
        return (
            f"fixture: {self.delay_ns:.0f} ns ± {self.budget['expanded_ns']:.0f} ns (k = 2, "
            f"{'virtual ' if self.virtual else ''}null measurement of {self.created}) "
            "are in every reaction time and not subtracted"
        )


def fixture_path(bench: Path) -> Path:
    """Where the null measurement of a bench file is kept."""
    return bench.with_suffix(".fixture.json")


def measure_fixture(source: PulseSource, virtual: bool = False) -> FixtureRecord:
    """Send stimuli straight into the capture.

    Args:
        source: open, its stimulus joined to its capture.
        virtual: the bench file says that no real wire is involved, whatever the source says.

    Raises:
        SettingError: the source cannot capture.
        SourceError: the source failed, or nothing came back: the jumper is missing.
    """
    identity = source.identity
    if not identity.captures:
        raise SettingError("this source does not capture responses", where=identity.kind, remedy="use one that does")
    source.arm(PLAN)
    source.start()
    edges = _collect(source)
    stimulus, rise = edges[STIMULUS], edges[RISE]
    pairing = pair(stimulus, rise, np.empty(0, np.int64), WINDOW_NS)
    paired = pairing.status == Status.PAIRED
    delay = pairing.rise_ns[paired] - pairing.stimulus_ns[paired]
    if len(delay) < len(stimulus) // 2 or not len(delay):
        raise SourceError(
            f"{len(delay)} of {len(stimulus)} stimuli came back",
            where=identity.model,
            remedy="join stimulus and capture by one jumper with its series resistor, nothing else, and try again",
        )
    return _record(identity, delay, len(stimulus) - len(delay), virtual)


def save_fixture(path: Path, record: FixtureRecord) -> None:
    """Write a null measurement.

    Raises:
        StoreError: it cannot be written.
    """
    try:
        path.write_text(record.model_dump_json(indent=1), encoding="utf-8")
    except OSError as error:
        raise StoreError(
            f"cannot be written: {error.strerror}", where=str(path), remedy="check the directory"
        ) from error


def load_fixture(path: Path, identity: SourceIdentity) -> FixtureRecord | None:
    """The null measurement kept there, if it was made with this source.

    Raises:
        DataError: the file is damaged.
    """
    try:
        record = FixtureRecord.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        return None
    except OSError as error:
        raise DataError(f"cannot be read: {error.strerror}", where=str(path), remedy="remove it") from error
    except ValidationError as error:
        raise DataError(
            "the null measurement is damaged: " + "; ".join(explain_validation(error)[:3]),
            where=str(path),
            remedy="remove it and run 'edgereply source null' again",
        ) from error
    return record if (record.model, record.serial) == (identity.model, identity.serial) else None


def _collect(source: PulseSource) -> dict[int, Any]:
    deadline = Deadline(PLAN.count * PLAN.period_ns * 2e-9 + 10.0)
    kinds, times = [np.empty(0, np.uint8)], [np.empty(0, np.int64)]
    while not deadline.expired():
        batch = source.read(0.1)
        if batch is None:
            continue
        kinds.append(batch.kind)
        times.append(batch.at_ns)
        if batch.done:
            kind, at = np.concatenate(kinds), np.concatenate(times)
            return {wanted: np.sort(at[kind == wanted]) for wanted in (STIMULUS, RISE)}
    raise SourceError("the source did not finish in time", remedy="check the source and its cable")


def _record(identity: SourceIdentity, delay: Any, missed: int, virtual: bool) -> FixtureRecord:
    mean, std = mean_and_std(delay)
    tick_ns = 1e9 / identity.tick_hz
    budget = interval_budget(mean or 0.0, tick_ns, identity.tolerance_ppm, std or 0.0, len(delay))
    return FixtureRecord(
        created=now_iso(),
        model=identity.model,
        serial=identity.serial,
        virtual=identity.virtual or virtual,
        count=len(delay),
        missed=missed,
        delay_ns=mean or 0.0,
        shortest_ns=int(delay.min()),
        longest_ns=int(delay.max()),
        tick_ns=tick_ns,
        budget=asdict(budget),
    )
