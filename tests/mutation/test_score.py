"""Seeded changes: where they are made, that they repeat, and how they are counted."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.mutation import score
from tests.mutation.changes import Change, changes_of, compiles
from tests.mutation.nearest import nearest_tests
from tests.mutation.score import Tried
from tests.mutation.workplace import ROOT, Outcome

TEXT = '''"""Documentation is never changed: 1 < 2."""
LIMIT: int = 3


def µ_of(a: "int < 3", b=True):
    """Nor this."""
    if a < LIMIT and b:
        raise ValueError("too small")
    total = (a +
             1)
    print(total)
    return total
'''


def test_every_kind_of_change_is_made_and_nothing_else_is_touched() -> None:
    found = [change for change in changes_of(TEXT) if compiles(change, TEXT)]
    said = [str(change) for change in found]
    assert sorted(said) == sorted([
        "2: 3 -> 4", "5: True -> False", "7: a < … -> <=", "7: a < LIMIT and b -> not (a < LIMIT and b)",
        "7: a < LIMIT and … -> or", '8: raise ValueError("too small") -> pass', "9: a + … -> -", "10: 1 -> 2",
        "11: print(total) -> pass", "12: total -> None",
    ])  # fmt: skip
    for change in found:
        made = change.apply(TEXT)
        assert made != TEXT
        assert ast.dump(ast.parse(made)) != ast.dump(ast.parse(TEXT)), str(change)
        before, after = TEXT.splitlines(), made.splitlines()
        assert before[: change.line - 1] == after[: change.line - 1]
        assert before[change.end_line :] == after[len(after) - len(before) + change.end_line :]


@pytest.mark.parametrize("file", ["host/edgereply/wording/numbers.py", "protocol/edgereply_protocol/framing.py"])
def test_every_change_of_a_real_source_leaves_another_program(file: str) -> None:
    text = (ROOT / file).read_text("utf-8")
    found = changes_of(text)
    assert len(found) > 50
    tree = ast.dump(ast.parse(text))
    for change in found[::7]:
        if compiles(change, text):
            assert ast.dump(ast.parse(change.apply(text))) != tree, str(change)


def test_a_seed_gives_the_same_changes_and_another_seed_others() -> None:
    first = score.chosen(1, 5, ["host/wording"])
    assert len(first) == 5
    assert first == score.chosen(1, 5, ["host/wording"])
    assert first != score.chosen(2, 5, ["host/wording"])
    assert score.chosen(1, 3, ["host/wording"]) == first[:3]


def test_the_nearest_tests_are_there() -> None:
    for modules in score.folders().values():
        for path in modules:
            tests = nearest_tests(path.relative_to(ROOT).as_posix())
            assert tests
            assert all((ROOT / test).exists() for test in tests), path
    assert nearest_tests("host/edgereply/wording/numbers.py")[0] == "tests/unit/host/wording/test_numbers.py"
    assert nearest_tests("protocol/edgereply_protocol/plain.py")[0] == "tests/unit/protocol/test_plain.py"


def tried(folder: str, outcome: Outcome) -> Tried:
    return Tried(folder, f"{folder}/x.py", Change(1, 0, 1, 1, "a", "b"), outcome)


def test_rates_leave_out_what_could_not_be_tried() -> None:
    found = [tried("a", Outcome.KILLED), tried("a", Outcome.TIMED_OUT), tried("a", Outcome.BROKEN),
             tried("b", Outcome.KILLED), tried("b", Outcome.SURVIVED)]  # fmt: skip
    assert score.rates(found) == {"a": (2, 2), "b": (1, 2)}
    assert score.reaches(found[:3], 0.92)
    assert not score.reaches(found, 0.92)
    assert score.reaches(found, 0.5)
    assert not score.reaches(found[2:3], 0.5), "nothing was tried"
    lines = score.table(found, 0.92)
    assert any(line.startswith("b ") and line.endswith("<") for line in lines)
    assert "survived: b/x.py:1: a -> b" in lines
    assert "the tests cannot be run: a/x.py:1: a -> b" in lines


def test_changes_that_make_no_difference_are_left_out_and_have_a_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (_, file, change), *_ = score.chosen(1, 1, ["host/wording"])
    path = tmp_path / "equivalent.toml"
    path.write_text(f"[[change]]\nfile = {file!r}\nchange = '''{change}'''\nwhy = 'for the test'\n", "utf-8")
    monkeypatch.setattr(score, "EQUIVALENT", path)
    assert (file, change) not in [(other, one) for _, other, one in score.chosen(1, 50, ["host/wording"])]
