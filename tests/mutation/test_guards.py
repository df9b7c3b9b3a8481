"""The table of guards fits the tree and the page. `python -m tests.mutation guards` sees that each guard is missed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.mutation.guards import Guard, misfits, read_guards
from tests.mutation.workplace import ROOT, Outcome, Workplace

PAGE = ROOT / "docs/threat-model.md"
GUARD = Guard(
    name="x", promise="y", file="host/edgereply/errors.py", old="SAYS_NO: Final = 1", new="SAYS_NO: Final = 4",
    test="tests/unit/host/test_errors.py::test_of_nothing",
)  # fmt: skip


def test_texts_and_tests_are_there() -> None:
    guards = read_guards()
    assert len(guards) > 60
    assert misfits(guards) == []


@pytest.mark.parametrize(
    ("changes", "told"),
    [({"old": "no such text"}, "0 times"), ({"old": ": Final"}, "times in"), ({"new": GUARD.old}, "nothing is taken"),
     ({}, "there is no tests/unit/host/test_errors.py::test_of_nothing")],
)  # fmt: skip
def test_what_does_not_fit_is_told(changes: dict[str, str], told: str) -> None:
    assert any(told in line for line in misfits([GUARD.model_copy(update=changes)]))


def test_every_guard_stands_on_the_page_and_every_row_has_its_guard() -> None:
    """A row ends with the names of its guards; what is held by the suite's own rules says so."""
    rows = [line for line in PAGE.read_text("utf-8").splitlines() if line.startswith("| ") and "---" not in line]
    cells = [[cell.strip() for cell in row.strip("|").split("|")] for row in rows]
    named = [name.strip() for row in cells if len(row) == 4 for name in row[3].split(";")]
    assert len([row for row in cells if len(row) == 4]) == len(cells)
    known = {guard.name for guard in read_guards()}
    assert known <= set(named), f"not on the page: {sorted(known - set(named))}"
    assert set(named) - known <= {"taken out by", "–"}, f"no such guard: {sorted(set(named) - known)}"


def test_a_change_is_seen_and_what_cannot_be_run_is_told(tmp_path: Path) -> None:
    with Workplace(limit_s=120.0) as place:
        test = place.root / "tests/test_made.py"
        test.write_text(
            "from edgereply.errors import SAYS_NO\n\n\ndef test_it() -> None:\n    assert SAYS_NO == 1\n", "utf-8"
        )
        assert place.run(["tests/test_made.py"]) is Outcome.SURVIVED
        source = (place.root / GUARD.file).read_text("utf-8")
        with place.changed(GUARD.file, source.replace(GUARD.old, GUARD.new)):
            assert place.run(["tests/test_made.py"]) is Outcome.KILLED
        assert (place.root / GUARD.file).read_text("utf-8") == source
        assert place.run(["tests/test_nowhere.py"]) is Outcome.BROKEN
        test.write_text("import time\n\n\ndef test_it() -> None:\n    time.sleep(600)\n", "utf-8")
        place.limit_s = 5.0
        assert place.run(["tests/test_made.py"]) is Outcome.TIMED_OUT
