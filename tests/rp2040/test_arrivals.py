"""The shared arrival patterns at 62.5 MHz, where an interval may be longer than 32 bits of ticks."""

from __future__ import annotations

import subprocess
from itertools import islice
from pathlib import Path

import pytest

from edgereply.sources.arrivals import intervals as host_intervals
from edgereply.sources.base import Pattern, StimulusPlan
from tests.products import run
from tests.rig.arrivals import intervals
from tests.rp2040.build import HERE, PULSE_SOURCE
from tests.rp2040.rig import TICK_HZ
from tests.tools import need

COUNT = 3_000
NUMBERS: dict[Pattern, int] = {"periodic": 0, "uniform": 1, "exponential": 2}  # enum pattern in settings.h
SHORT = {"periodic": "PER", "uniform": "UNIF", "exponential": "EXP"}
TICK_NS = 1_000_000_000 // TICK_HZ


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = need("gcc", "gcc", "libc6-dev")
    path = tmp_path_factory.mktemp("arrivals") / "arrivals"
    folders = [f"-I{PULSE_SOURCE[0] / 'src'}", f"-I{PULSE_SOURCE[1]}"]
    sources = [str(HERE / "arrivals.c"), str(PULSE_SOURCE[1] / "arrivals.c")]
    run([str(compiler), "-std=gnu99", "-O1", "-Wall", "-Wextra", "-Werror", *folders, *sources, "-o", str(path)], HERE)
    return path


@pytest.mark.parametrize(
    ("pattern", "period_s", "floor_s", "spread_s", "seed"),
    [
        ("periodic", 60, 1, 1, 1),
        ("uniform", 60, 1, 59, 5),  # 2 * spread + 1 needs 33 bits
        ("uniform", 40, 1, 35, 4294967295),
        ("uniform", 1, 1, 0, 7),
        ("exponential", 60, 0, 1, 3),
        ("exponential", 60, 60, 1, 4294967295),
        ("exponential", 2, 1, 1, 2463534242),
    ],
)
def test_long_intervals_are_the_documented_ones(
    program: Path, pattern: Pattern, period_s: int, floor_s: int, spread_s: int, seed: int
) -> None:
    period, floor, spread = (seconds * TICK_HZ for seconds in (period_s, floor_s, spread_s))
    arguments = map(str, (NUMBERS[pattern], period, floor, spread, seed, COUNT))
    done = subprocess.run([str(program), *arguments], capture_output=True, text=True, check=True, timeout=60)
    found = [int(line) for line in done.stdout.splitlines()]
    generator = intervals(SHORT[pattern], seed=seed, period=period, floor=floor, spread=spread)
    assert found == list(islice(generator, COUNT))
    plan = StimulusPlan(
        pattern=pattern,
        period_ns=period * TICK_NS,
        floor_ns=floor * TICK_NS,
        spread_ns=spread * TICK_NS,
        seed=seed,
        count=COUNT,
        width_ns=50_000,
        inverted=False,
    )
    assert found == host_intervals(plan, TICK_HZ, COUNT).tolist()
    if spread_s == 59 or (pattern, floor_s) == ("exponential", 0):
        assert max(found) >= 1 << 32, "nothing that 32 bits could not hold"
