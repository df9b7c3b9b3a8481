"""Routes compared in interleaved blocks on a real kernel."""

from __future__ import annotations

import json

import pytest

from edgereply.storage.run_reader import RunReader
from tests.virtual_bench.bench import VirtualBench

pytestmark = pytest.mark.virtual_board
ROUTES, ROUNDS, COUNT = ["chardev", "gpiod", "sysfs"], 2, 60


def test_routes_are_compared_in_blocks(bench: VirtualBench) -> None:
    bench.write(count=COUNT)
    words = ["compare", "--routes", ",".join(ROUTES), "--rounds", str(ROUNDS), "--out", "series", "--details"]
    done = bench.run(*words)
    assert done.code == 0, done.err
    for name in ROUTES:
        assert name in done.out
    assert "virtual" in done.out.lower()
    assert "CPU time of the responder per answer" in done.out
    series = json.loads((bench.place.root / "series" / "series.json").read_text())
    assert [block["state"] for block in series["blocks"]] == ["complete"] * len(ROUTES) * ROUNDS
    medians: dict[str, list[int]] = {name: [] for name in ROUTES}
    for block in series["blocks"]:
        reader = RunReader(bench.place.root / "series" / block["run"])
        record = reader.record
        assert record.in_effect["route"] == block["condition"]
        assert record.counts["stimuli"] == COUNT
        assert record.counts["responses"] > COUNT // 2
        medians[block["condition"]].append(record.summary["reaction"]["median_ns"])
    # Counted in instructions the package's route is the dearer one by far.
    assert max(medians["chardev"]) < min(medians["gpiod"])
    for number in range(1, ROUNDS + 1):
        runs = [block["run"] for block in series["blocks"] if block["round"] == number]
        plans = [RunReader(bench.place.root / "series" / run).record.source.plan for run in runs]
        assert all(plan == plans[0] for plan in plans), "all routes of a round are asked the same arrivals"
