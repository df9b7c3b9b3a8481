"""Records of runs with one thing wrong: refused in one sentence, or read without harm to any table."""

from __future__ import annotations

import contextlib
import json
import random
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from edgereply.comparison.conditions import respects
from edgereply.comparison.contrasts import AXES, had_effect
from edgereply.errors import DataError, HostError
from edgereply.evaluation.cautions import cautions
from edgereply.evaluation.load_view import load_view
from edgereply.report.tables.context_rows import context_group
from edgereply.report.tables.rows import summary_groups
from edgereply.storage.run_reader import RunReader
from tests.fakes.mutated_json import mutated

GOLDEN = Path(__file__).parents[3] / "reference_data/runs/format-1-load"
MUTATIONS = 300

Change = Callable[[dict[str, Any]], object]
WRONG: dict[str, Change] = {
    "environment": lambda d: d["environment_before"].update(cpu_count="two"),
    "environment after": lambda d: d["environment_after"].update(during={"cpu_ns": [1]}),
    "settings in effect": lambda d: d["in_effect"].update(realtime=[1]),
    "context": lambda d: d["context"].update(load={"mean_milli": None, "max_milli": 1}),
    "activity": lambda d: d["activity"].update(busy=True, others_share=None),
    "board asked for": lambda d: d["requested"].update(board={"realtime": 7}),
    "plan": lambda d: d["source"].update(plan={"period_ns": "x"}),
}


@pytest.fixture
def run(tmp_path: Path) -> Path:
    shutil.copytree(GOLDEN, tmp_path / "run")
    return tmp_path / "run"


@pytest.mark.parametrize("name", WRONG)
def test_each_kind_of_wrong_fact_is_refused(run: Path, name: str) -> None:
    document = json.loads((run / "run.json").read_text("utf-8"))
    WRONG[name](document)
    (run / "run.json").write_text(json.dumps(document), "utf-8")
    with pytest.raises(DataError, match=r"run\.json is damaged or not ours") as caught:
        RunReader(run)
    assert caught.value.exit_code == 2


def test_one_thing_wrong_is_refused_or_does_no_harm(run: Path) -> None:
    good = json.loads((run / "run.json").read_text("utf-8"))
    rng = random.Random(22)
    refused = 0
    for number in range(MUTATIONS):
        (run / "run.json").write_text(json.dumps(mutated(good, rng)), "utf-8")
        try:
            record = RunReader(run).record
        except HostError:
            refused += 1
            continue
        respects(record, record.evidence, record.deadline_ns)
        cautions(record, record.counts)
        for axis in AXES:
            had_effect(record, axis)
        # To evaluate it takes far longer, and looks at little else.
        if number % 10 == 0:
            with contextlib.suppress(HostError):
                view = load_view(run)
                summary_groups([view])
                context_group([view])
    assert MUTATIONS // 10 < refused < MUTATIONS * 9 // 10
