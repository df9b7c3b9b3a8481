"""Schemas of bench and plan files, held against a JSON schema library and against what the program itself takes."""

from __future__ import annotations

import json
import tomllib
from typing import Any

import jsonschema
import pytest

from edgereply.config.bench_file import parse_bench
from edgereply.config.commented_toml import bench_text, plan_text
from edgereply.config.descriptions import TABLES
from edgereply.config.plan_file import Axes, SweepPlan, parse_plan
from edgereply.config.schema import KINDS, first_line, keys, schema
from edgereply.config.settings import Bench, Board, Line, Realtime, Source, Stimulus
from edgereply.errors import SettingError
from tests.integration.documents import PAGES, blocks

BENCH: dict[str, Any] = {
    "deadline": "2ms",
    "board": {
        "gate": {"host": "gate", "input": "EYE_IN", "output": {"chip": "gpiochip0", "line": 4}, "hold": "20 us"},
        "lab 2": {"link": "local", "route": "virtual", "load": "cpu=1", "source": {"kind": "virtual"}},
    },
    "source": {"kind": "generator", "port": "/dev/ttyUSB0", "options": {"count_by": "pulse"}},
    "stimulus": {"pattern": "periodic", "rate": "1.5 kHz", "count": 100},
}
PLAN: dict[str, Any] = {
    "bench": "bench.toml",
    "repeats": 8,
    "dwell": "2s",
    "axes": {"wait": ["block", "spin"], "cpus": ["any", [3]], "load": ["none", "cpu=2, memory=64M"]},
}


def errors(kind: str, data: object) -> list[str]:
    """What the schema library has against the contents of a file."""
    checker = jsonschema.Draft202012Validator(schema(kind))
    return [f"{'.'.join(map(str, error.path))}: {error.message}" for error in checker.iter_errors(data)]


@pytest.mark.parametrize("kind", KINDS)
def test_a_schema_is_one_by_the_standard(kind: str) -> None:
    jsonschema.Draft202012Validator.check_schema(schema(kind))
    json.dumps(schema(kind))


@pytest.mark.parametrize("model", [Bench, Board, Line, Realtime, Source, Stimulus, SweepPlan, Axes])
def test_every_key_is_described_and_no_other(model: Any) -> None:
    assert set(TABLES[model.__name__]) == set(model.model_fields)
    assert all(TABLES[model.__name__].values())


@pytest.mark.parametrize("kind", KINDS)
def test_every_key_of_a_schema_says_what_it_means_and_its_default_is_one(kind: str) -> None:
    found = dict(keys(kind))
    assert {"bench": "Stimulus.rate", "plan": "Axes.load"}[kind] in found
    whole = schema(kind)
    for key, about in found.items():
        assert len(about["description"]) >= 10, key
        if "default" in about:
            part = {**about, "$defs": whole.get("$defs", {})}
            jsonschema.Draft202012Validator(part).validate(about["default"])
    defaults = {key for key, about in found.items() if "default" in about}
    assert ("Stimulus.rate" in defaults) == (kind == "bench")


def test_what_the_program_takes_the_schema_takes() -> None:
    parse_bench(BENCH, "here")
    parse_plan(PLAN, "here")
    assert errors("bench", BENCH) == []
    assert errors("plan", PLAN) == []


def test_what_the_pages_show_the_schema_takes() -> None:
    count = 0
    for page in PAGES:
        for block in blocks(page):
            if block.language == "toml":
                data = tomllib.loads(block.text)
                assert errors("plan" if "axes" in data else "bench", data) == [], page
                count += 1
    assert count > 10


@pytest.mark.parametrize(
    ("kind", "change", "said"),
    [
        ("bench", {"borad": {}}, "borad"),
        ("bench", {"deadline": "2 parsecs"}, "parsecs"),
        ("bench", {"deadline": 2}, "not of type 'string'"),
        ("bench", {"board": {"gate": {"wait": "spinn"}}}, "spinn"),
        ("bench", {"board": {"gate": {"input": 17}}}, "17"),
        ("bench", {"stimulus": {"rate": "0"}}, "'0' does not match"),
        ("bench", {"source": {"kind": "laser"}}, "laser"),
        ("plan", {"axes": {"wait": ["spinn"]}}, "spinn"),
        ("plan", {"repeats": 0}, "minimum"),
    ],
)
def test_what_the_program_refuses_the_schema_marks(kind: str, change: dict[str, Any], said: str) -> None:
    assert any(said in error for error in errors(kind, change))
    with pytest.raises(SettingError):
        (parse_bench if kind == "bench" else parse_plan)((BENCH if kind == "bench" else PLAN) | change, "here")


def test_files_are_written_as_they_are_read_with_every_key_explained() -> None:
    for kind, data, text in (("bench", BENCH, bench_text(BENCH)), ("plan", PLAN, plan_text(PLAN))):
        assert tomllib.loads(text) == data
        lines = text.splitlines()
        assert lines[0] == first_line(kind)
        for number, line in enumerate(lines):
            if line and line[0] not in "#[":
                assert lines[number - 1].startswith("# "), line
        assert max(map(len, lines)) <= 80


def test_what_stands_there_as_possible_is_possible() -> None:
    for parse, text in ((parse_bench, bench_text(BENCH)), (parse_plan, plan_text(PLAN))):
        before, _, _ = text.partition("# Also possible")
        assert before != text
        lines, inside = [], False
        for line in text.splitlines():
            inside = line.startswith("# Also possible") or (inside and line.startswith("# "))
            lines.append(line.removeprefix("# ") if inside and " = " in line else line)
        assert "\n".join(lines) != text.rstrip("\n")
        assert parse(tomllib.loads("\n".join(lines)), "here")
