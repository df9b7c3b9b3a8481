"""How many seeded changes of the sources the nearest tests notice, by folder.

A change is one of a few kinds that a slip of the hand could make (an operator, a comparison, a constant, a condition, a
statement left out), made at one place of the syntax tree. The idea is mutation analysis: DeMillo, Lipton and Sayward
(1978), Hints on test data selection, Computer 11(4), 34-41. A change that makes no difference to anybody cannot be
noticed; `equivalent.toml` lists such ones with the reason, and they are left out of the rate.
"""

from __future__ import annotations

import itertools
import random
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.mutation.changes import Change, changes_of, compiles
from tests.mutation.nearest import nearest_tests
from tests.mutation.workplace import ROOT, Outcome, Workplace

LIMIT_S = 300.0
EQUIVALENT = Path(__file__).with_name("equivalent.toml")
HOST = "host/edgereply"


@dataclass(frozen=True, slots=True)
class Tried:
    """A change and what became of it."""

    folder: str
    file: str
    change: Change
    outcome: Outcome


def folders() -> dict[str, list[Path]]:
    """Modules by folder: the host's folders, and each other package as one."""
    found = {
        f"host/{path.name}": sorted(path.rglob("*.py"))
        for path in sorted((ROOT / HOST).iterdir())
        if path.is_dir() and list(path.rglob("*.py"))
    }
    found["agent"] = sorted((ROOT / "agent/edgereply_agent").rglob("*.py"))
    found["protocol"] = sorted((ROOT / "protocol/edgereply_protocol").rglob("*.py"))
    return found


def equivalents() -> set[tuple[str, str]]:
    """Changes that make no difference: file and description."""
    rows = tomllib.loads(EQUIVALENT.read_text("utf-8")).get("change", [])
    return {(row["file"], row["change"]) for row in rows}


def chosen(seed: int, each: int, only: Sequence[str]) -> list[tuple[str, str, Change]]:
    """So many changes of each folder: folder, file, change. A change of a folder does not depend on the others."""
    known = equivalents()
    found: list[tuple[str, str, Change]] = []
    for folder, modules in folders().items():
        if only and folder not in only:
            continue
        places = [
            (path.relative_to(ROOT).as_posix(), change)
            for path in modules
            for change in changes_of(path.read_text("utf-8"))
        ]
        random.Random(f"{seed} {folder}").shuffle(places)
        fit = (
            (folder, file, change)
            for file, change in places
            if (file, str(change)) not in known and compiles(change, (ROOT / file).read_text("utf-8"))
        )
        found += itertools.islice(fit, each)
    return found


def measure(seed: int, each: int, only: Sequence[str]) -> list[Tried]:
    """Try changes one after the other; prints a line each."""
    found: list[Tried] = []
    passing: dict[tuple[str, ...], bool] = {}
    with Workplace(LIMIT_S) as place:
        for folder, file, change in chosen(seed, each, only):
            tests = tuple(nearest_tests(file))
            if tests not in passing:
                passing[tests] = place.run(tests) is Outcome.SURVIVED
            if not passing[tests]:
                outcome = Outcome.BROKEN
            else:
                with place.changed(file, change.apply((place.root / file).read_text("utf-8"))):
                    outcome = place.run(tests)
            found.append(Tried(folder, file, change, outcome))
            print(f"{outcome.value:<24} {file}:{change}", flush=True)
    return found


def rates(found: Sequence[Tried]) -> dict[str, tuple[int, int]]:
    """By folder: changes that were noticed, and changes that could be."""
    judged = [item for item in found if item.outcome is not Outcome.BROKEN]
    return {
        folder: (
            sum(item.outcome is not Outcome.SURVIVED for item in judged if item.folder == folder),
            sum(item.folder == folder for item in judged),
        )
        for folder in dict.fromkeys(item.folder for item in judged)
    }


def reaches(found: Sequence[Tried], bar: float) -> bool:
    """Whether every folder reaches the bar; no where nothing could be tried."""
    by_folder = rates(found)
    return bool(by_folder) and all(killed >= bar * tried for killed, tried in by_folder.values())


def table(found: Sequence[Tried], bar: float) -> list[str]:
    """Rates by folder, then what survived and what could not be tried."""
    by_folder = rates(found)
    lines = ["", f"{'folder':<20} {'noticed':>8} {'of':>5} {'rate':>7}"]
    for folder, (killed, tried) in by_folder.items():
        lines.append(
            f"{folder:<20} {killed:>8} {tried:>5} {killed / tried:>7.0%}{'' if killed >= bar * tried else '  <'}"
        )
    killed, tried = (sum(pair[place] for pair in by_folder.values()) for place in (0, 1))
    lines.append(f"{'all':<20} {killed:>8} {tried:>5} {killed / max(1, tried):>7.0%}")
    for outcome in (Outcome.SURVIVED, Outcome.BROKEN):
        lines += [f"{outcome.value}: {item.file}:{item.change}" for item in found if item.outcome is outcome]
    return lines
