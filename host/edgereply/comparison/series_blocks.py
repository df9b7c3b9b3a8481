"""Which runs of a series make up each side of a comparison, and what is missing of it."""

from dataclasses import dataclass
from pathlib import Path

from edgereply.storage.series_record import BlockRecord, SeriesRecord


@dataclass(frozen=True, slots=True)
class Blocks:
    """The complete blocks of one condition, in order of time, and what is missing in words."""

    condition: str
    runs: tuple[Path, ...]
    rounds: tuple[int, ...]
    seeds: tuple[int, ...]
    trouble: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Side:
    """What to read for an entry: its name, its runs in order of time, their rounds, and what is missing in words."""

    name: str
    runs: tuple[Path, ...]
    rounds: tuple[int, ...] = ()
    trouble: tuple[str, ...] = ()


def sides_of(directory: Path, record: SeriesRecord, before: str = "") -> list[Side]:
    """The conditions of a series, each named after `before`."""
    return [
        Side(f"{before}{blocks.condition}", blocks.runs, blocks.rounds, blocks.trouble)
        for blocks in blocks_of(directory, record)
    ]


def blocks_of(directory: Path, record: SeriesRecord) -> list[Blocks]:
    """The complete blocks of every condition of a series."""
    found = []
    for condition in record.conditions:
        blocks = [block for block in record.blocks if block.condition == condition]
        whole = [block for block in blocks if block.state == "complete"]
        found.append(
            Blocks(
                condition,
                tuple(directory / block.run for block in whole),
                tuple(block.round for block in whole),
                tuple(block.seed for block in whole),
                tuple(_trouble(block) for block in blocks if block.state != "complete"),
            )
        )
    return found


def _trouble(block: BlockRecord) -> str:
    state = "not measured" if block.state == "planned" else block.state
    return f"round {block.round} of {block.condition}: {state}{f': {block.reason}' if block.reason else ''}"
