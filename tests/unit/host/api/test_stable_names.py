"""What programs may rely on stays as it is: names, members, parameters. A change here is a change for everybody."""

from __future__ import annotations

import importlib
import inspect
import subprocess
import sys
from typing import Any

import pytest

import edgereply
from edgereply.api.stable_names import MEMBERS, MODULES

# Parameters by name; those after "*" by keyword only, "=" where there is a default.
SIGNATURES = {
    "open_run": "path_or_bundle run=",
    "open_series": "path_or_bundle",
    "measure": "bench * board= out= count= dwell= rate= pattern= seed= route= wait= responder= load= collection= "
    "fifo_priority= deadline= power= trace= until= prove_wires= say=",
    "sweep": "plan bench= * out= resume= prove_wires= say=",
    "measure_in_turns": "bench * routes= waits= responders= rounds= count= rate= order_seed= board= out= prove_wires= "
    "say=",
    "compare": "*runs deadline= matters=",
    "export_dataset": "runs directory",
    "SavedRun.answers": "self",
    "SavedRun.as_dict": "self",
    "SavedRun.close": "self",
    "SavedRun.explain": "self late_above=",
    "SavedRun.figure": "self kind=",
    "SavedRun.verdict": "self deadline= exceed= * confidence= together= tail=",
    "SavedSeries.close": "self",
    "SavedSeries.compare": "self deadline= matters=",
    "SavedSeries.figure": "self kind=",
    "Answers.to_arrow": "self",
    "Answers.to_numpy": "self",
    "Answers.to_pandas": "self",
    "Answers.to_polars": "self",
    "DeadlineVerdict.as_dict": "self",
    "LateExplanation.as_dict": "self",
    "RunComparison.as_dict": "self",
    "RunComparison.figure": "self kind=",
    "Picture.save": "self path size= dark=",
    "Picture.to_bytes": "self form= size= dark=",
}
# Fields of the package's own that stand behind the members: they may go.
BEHIND = {
    "DeadlineVerdict": {"judgement", "result", "pieces"},
    "LateExplanation": {"found", "late", "alike", "lost", "pairs", "result"},
    "RunComparison": {"comparison", "paths", "deadline_ns", "named", "kept"},
}
ERRORS = {"HostError", "SettingError", "DataError", "StoreError", "LinkError", "BoardError", "SourceError"}


def signature(function: Any) -> str:
    """Its parameters in one line, as in `SIGNATURES`."""
    words, keyword_only = [], False
    for parameter in inspect.signature(function).parameters.values():
        if parameter.kind is parameter.VAR_POSITIONAL:
            words.append(f"*{parameter.name}")
            keyword_only = True
            continue
        if parameter.kind is parameter.KEYWORD_ONLY and not keyword_only:
            words.append("*")
            keyword_only = True
        words.append(parameter.name + ("" if parameter.default is parameter.empty else "="))
    return " ".join(words)


def public(cls: Any) -> set[str]:
    """Members without an underscore that a program meets, those of the dataclass's fields that `MEMBERS` tells too."""
    return {name for name in dir(cls) if not name.startswith("_")}


def test_every_name_is_where_it_says_and_nothing_else_is_offered() -> None:
    for name, module in MODULES.items():
        assert getattr(edgereply, name) is getattr(importlib.import_module(module), name)
    offered = {name for name, value in vars(edgereply).items() if getattr(value, "__module__", "") in MODULES.values()}
    assert offered == set(MODULES)
    assert set(MODULES) <= set(dir(edgereply))
    with pytest.raises(AttributeError, match="no attribute 'open_rnu'"):
        edgereply.open_rnu  # noqa: B018


def test_signatures_are_those_that_programs_were_written_for() -> None:
    functions = {name for name, module in MODULES.items() if inspect.isfunction(getattr(edgereply, name))}
    methods = {
        f"{cls}.{name}"
        for cls, names in MEMBERS.items()
        for name in names
        if inspect.isfunction(getattr(getattr(edgereply, cls), name, None))
    }
    found = {}
    for name in functions | methods:
        target: Any = edgereply
        for step in name.split("."):
            target = getattr(target, step)
        found[name] = signature(target)
    assert found == SIGNATURES


def test_members_are_all_told_and_all_there() -> None:
    assert set(MEMBERS) | ERRORS | {name.split(".")[0] for name in SIGNATURES if "." not in name} == set(MODULES)
    for cls, names in MEMBERS.items():
        kept = {"path", "name"} if cls in ("SavedRun", "SavedSeries") else set()
        assert set(names) - kept <= public(getattr(edgereply, cls)), cls
        assert public(getattr(edgereply, cls)) - set(names) <= BEHIND.get(cls, set()), cls


@pytest.mark.parametrize("name", MODULES)
def test_every_name_is_documented(name: str) -> None:
    thing = getattr(edgereply, name)
    assert len(inspect.getdoc(thing) or "") > 20
    for member in MEMBERS.get(name, ()):
        found = inspect.getattr_static(thing, member, None)
        if isinstance(found, property) or inspect.isfunction(found):
            assert inspect.getdoc(found), f"{name}.{member}"
    if inspect.isfunction(thing):
        doc = inspect.getdoc(thing) or ""
        assert "Raises:" in doc
        for parameter in inspect.signature(thing).parameters:
            assert f"    {parameter}: " in doc, f"{name}: {parameter}"


def test_importing_costs_next_to_nothing() -> None:
    program = "import sys, edgereply; print(sum(name.startswith('edgereply') for name in sys.modules)," \
        " {'numpy', 'pyarrow', 'pydantic', 'typer', 'matplotlib', 'pytest'} & set(sys.modules))"  # fmt: skip
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.split() == ["1", "set()"]


def test_a_changed_signature_is_seen() -> None:
    def changed(path_or_bundle: str, which: str = "") -> None: ...

    assert signature(changed) != SIGNATURES["open_run"]
    assert signature(edgereply.open_run) == SIGNATURES["open_run"]
