"""A series: runs that belong together, with the plan and order they were made by, as `series.json`."""

import random
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, Field, ValidationError

from edgereply.config.validation import explain_validation
from edgereply.errors import DataError, StoreError
from edgereply.storage.formats import refuse_newer
from edgereply.system.durability import sync_file

FORMAT = 1

BlockState = Literal["planned", "complete", "incomplete", "failed"]


class BlockRecord(BaseModel):
    """One block: a condition measured once, in its round.

    `attempts` are directories of earlier tries and their warm-ups, kept but in no figure; `warm_up` is the directory of
    the stimuli sent before the block under the same condition, which are in no figure either.
    """

    round: int = Field(ge=1)
    condition: str
    run: str
    seed: int
    state: BlockState = "planned"
    reason: str = ""
    attempts: list[str] = []
    warm_up: str = ""


class SeriesRecord(BaseModel):
    """The whole series; `blocks` are in the order in which they are measured.

    A sweep keeps its plan and the contents of its bench file, so that it is resumed with the same ones only.
    """

    format: int = FORMAT
    tool: str
    created: str
    board: str
    title: str = ""
    order_seed: int
    conditions: dict[str, dict[str, str]]
    blocks: list[BlockRecord]
    plan: dict[str, Any] = {}
    bench: dict[str, Any] = {}


def plan_blocks(conditions: list[str], rounds: int, order_seed: int, arrival_seed: int) -> list[BlockRecord]:
    """Every condition once a round, in random order; within a round all have the same seed of arrivals.

    Args:
        conditions: their names.
        rounds: at least 1.
        order_seed: of the order, recorded with the series.
        arrival_seed: of the first round's arrivals; each round takes the next one.
    """
    shuffler = random.Random(order_seed)
    blocks = []
    for number in range(1, rounds + 1):
        order = conditions.copy()
        shuffler.shuffle(order)
        seed = (arrival_seed + number - 2) % (2**32 - 1) + 1
        blocks += [BlockRecord(round=number, condition=name, run=f"r{number:02}-{name}", seed=seed) for name in order]
    return blocks


def save_series(directory: Path, record: SeriesRecord) -> None:
    """Write `series.json`, whole or not at all.

    Raises:
        StoreError: it cannot be written.
    """
    path = directory / "series.json"
    partial = directory / ".series.json.partial"
    try:
        directory.mkdir(mode=0o700, parents=True, exist_ok=True)
        with partial.open("w", encoding="utf-8") as file:
            file.write(record.model_dump_json(indent=1))
            sync_file(file)
        partial.replace(path)
    except OSError as error:
        raise StoreError(
            f"the series cannot be written: {error.strerror}", where=str(path), remedy="choose another --out"
        ) from error


def load_series(directory: Path) -> SeriesRecord:
    """Read `series.json`.

    Raises:
        DataError: not a series, damaged, or of a newer format.
    """
    path = directory / "series.json"
    try:
        text = path.read_bytes()
        refuse_newer(text, FORMAT, "the series", str(path))
        return SeriesRecord.model_validate_json(text)
    except OSError as error:
        raise DataError(f"not a series: {error.strerror}", where=str(path), remedy="give a series directory") from error
    except ValidationError as error:
        raise DataError(
            "series.json is damaged: " + "; ".join(explain_validation(error)[:3]), where=str(path), remedy="restore it"
        ) from error
