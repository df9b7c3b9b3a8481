"""The guards of `guards.toml`: taken out, each must be missed by the test that is named beside it."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from tests.mutation.workplace import ROOT, Outcome, Workplace

TABLE = Path(__file__).with_name("guards.toml")
LIMIT_S = 240.0


class Guard(BaseModel):
    """A promise and what holds it.

    Attributes:
        name: short, unique.
        promise: what the page on threats says of it, in a few words.
        file: where the guard stands.
        old: its text there, found once.
        new: the text without it.
        test: the test that fails then.
        rights: what the test needs, such as "root"; empty for none.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    promise: str
    file: str
    old: str
    new: str
    test: str
    rights: str = ""


def read_guards(path: Path = TABLE) -> list[Guard]:
    """All guards, in the order of the file."""
    return [Guard.model_validate(row) for row in tomllib.loads(path.read_text("utf-8"))["guard"]]


def misfits(guards: Iterable[Guard], root: Path = ROOT) -> list[str]:
    """One sentence for each guard whose text is not there once, or whose test is not there."""
    found: list[str] = []
    names: set[str] = set()
    for guard in guards:
        text = (root / guard.file).read_text("utf-8")
        if (count := text.count(guard.old)) != 1:
            found.append(f"{guard.name}: its text is {count} times in {guard.file}")
        if guard.old == guard.new:
            found.append(f"{guard.name}: nothing is taken out")
        file, _, test = guard.test.partition("::")
        path = root / file
        if not path.is_file() or f"def {test.partition('[')[0]}(" not in path.read_text("utf-8"):
            found.append(f"{guard.name}: there is no {guard.test}")
        if guard.name in names:
            found.append(f"{guard.name}: there twice")
        names.add(guard.name)
    return found


def check(guards: Sequence[Guard]) -> list[tuple[Guard, str]]:
    """Take out each guard; those that nobody missed, with the reason. Prints a line a guard."""
    problems: list[tuple[Guard, str]] = []
    sound: dict[str, Outcome] = {}
    with Workplace(LIMIT_S) as place:
        for guard in guards:
            # A test that fails anyway proves nothing.
            if guard.test not in sound:
                sound[guard.test] = place.run([guard.test])
            if sound[guard.test] is not Outcome.SURVIVED:
                verdict = f"its test does not pass as it is: {place.said[-300:]}"
            else:
                with place.changed(
                    guard.file, (place.root / guard.file).read_text("utf-8").replace(guard.old, guard.new)
                ):
                    verdict = place.run([guard.test]).value
            print(f"{guard.name:<36} {verdict.splitlines()[0] if verdict else ''}", flush=True)
            if not verdict.startswith(Outcome.KILLED.value):
                problems.append((guard, verdict))
    return problems
