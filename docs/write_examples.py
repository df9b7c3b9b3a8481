"""Writes the output that pages of docs/ show: `python docs/write_examples.py`.

A block after `<!-- shown: NAME -->` is what its command prints from invented runs, made here from seeds, so that it is
the same on every computer. A test writes the pages again and holds them against what is there.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).parent
ROOT = HERE.parent
BENCH = """title = "Reject gate (invented, virtual)"
deadline = "2ms"
[board.gate]
link = "local"
route = "virtual"
[source]
kind = "virtual"
[stimulus]
rate = "500/s"
"""
# As it stands on the page of sweeps.
_PLAN = re.compile(r"```toml\n(# night\.toml\n.*?)```", re.DOTALL)
_SHOWN = re.compile(r"(<!-- shown: ([\w-]+) -->\n)```\n.*?```\n", re.DOTALL)


class Shown(NamedTuple):
    """Output on a page.

    Attributes:
        command: as it is typed, without the program's name.
        lines: which lines of the output, by their number; None stands for a line of dots. Empty takes all.
        code: the exit code it ends with.
    """

    command: str
    lines: Sequence[int | None] = ()
    code: int = 0


SHOWN = {
    "demo": Shown("compare edgereply-demo/runs/block edgereply-demo/runs/spin"),
    "plan": Shown("sweep night.toml --dry-run", (0, 1, 2, 3, None, -2, -1)),
    "night": Shown("sweep night.toml --out runs/night"),
    "settings": Shown("sweep night.toml --out runs/night --resume --details", (*range(7, 11), None)),
    "compare": Shown("compare runs/night"),
    "baseline": Shown('compare --baseline runs/base runs/bad --fail-if "p90 +100us"', code=1),
    "import": Shown("import examples/recordings/reject_gate.csv --deadline 2ms", (*range(20), None)),
}


def _reactions(seed: int, count: int, typical_ns: int, spread: float, late: int = 0) -> NDArray[np.int64]:
    """Reaction times, right-skewed as a scheduler's are; some are over the deadline."""
    rng = np.random.default_rng(seed)
    found: NDArray[np.int64] = np.minimum(typical_ns * np.exp(spread * rng.standard_normal(count)), 1_900_000).astype(
        np.int64
    )
    found[rng.choice(count, late, replace=False)] = 2_100_000
    return found


def _stimuli(seed: int, count: int) -> NDArray[np.int64]:
    """Random arrivals, so that they lock onto no rhythm; the slowest answer comes before the next stimulus."""
    gaps_ns = 2_200_000 + 2_000_000 * np.random.default_rng([seed, 1]).standard_exponential(count)
    return np.cumsum(gaps_ns.astype(np.int64), dtype=np.int64)


def make_runs(place: Path) -> None:
    """Every run the commands are about."""
    sys.path.insert(0, str(ROOT))
    from tests.fakes.told_runs import save_run

    from edgereply.config.bench_file import read_bench
    from edgereply.config.plan_file import load_plan
    from edgereply.measurement.sweep.conditions import conditions_of_plan, setups
    from edgereply.measurement.sweep.state import planned_series
    from edgereply.storage.series_record import save_series

    (place / "examples").symlink_to(ROOT / "examples")
    (place / "bench.toml").write_text(BENCH, encoding="utf-8")
    plan = _PLAN.search((HERE / "sweeps.md").read_text(encoding="utf-8"))
    assert plan is not None
    (place / "night.toml").write_text(plan[1], encoding="utf-8")
    for number, (name, wait, typical_ns, late) in enumerate(
        [("edgereply-demo/runs/block", "block", 28_000, 3), ("edgereply-demo/runs/spin", "spin", 12_600, 0),
         ("runs/base", "block", 29_000, 0), ("runs/bad", "block", 260_000, 0)]
    ):  # fmt: skip
        count = 8_000 if number < 2 else 4_000
        save_run(
            place / name, _stimuli(number, count), _reactions(number, count, typical_ns, 0.6, late), wait,
            with_board=number < 2,
        )  # fmt: skip
    wanted, data = load_plan(place / "night.toml"), read_bench(place / "bench.toml")
    conditions = conditions_of_plan(wanted)
    ready = setups(data, "bench.toml", wanted, conditions)
    record = planned_series(wanted, data, conditions, ready)
    (place / "runs/night").mkdir()
    for number, block in enumerate(record.blocks):
        bench = ready[block.condition].bench
        wait = bench.pick("")[1].wait
        typical_ns, spread = (46_000, 0.6) if wait == "block" else (16_000, 0.5)
        save_run(
            place / "runs/night" / block.run, _stimuli(100 + number, 1_000),
            _reactions(100 + number, 1_000, typical_ns, spread, late=int(number == 3)), wait,
            run_id=block.run, bench=data | {"board": {"gate": data["board"]["gate"] | {"wait": wait}}},
            in_effect={"wait": wait},
        )  # fmt: skip
        block.state = "complete"
    save_series(place / "runs/night", record)


def output(place: Path, shown: Shown) -> str:
    """What a command prints on stdout, as a block of a page."""
    # A sweep that is shown as it ends is one of which nothing is left to measure.
    resumed = shown.command.startswith("sweep") and "--out" in shown.command and "--resume" not in shown.command
    arguments = [*shlex.split(shown.command), *(["--resume"] if resumed else [])]
    done = subprocess.run(
        [sys.executable, "-m", "edgereply", *arguments], cwd=place, capture_output=True, text=True, timeout=300,
        env={**os.environ, "COLUMNS": "80", "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    if done.returncode != shown.code:
        raise SystemExit(f"edgereply {shown.command} ended with {done.returncode}:\n{done.stderr}")
    said = [line.rstrip() for line in done.stdout.rstrip("\n").split("\n")]
    picked = ["…" if at is None else said[at] for at in shown.lines] if shown.lines else said
    return "\n".join([f"$ edgereply {shown.command}", *picked]) + "\n"


def written(place: Path) -> dict[Path, str]:
    """Every page with shown output, as it has to be; the runs must be in place."""
    pages = {}
    for page in sorted(HERE.glob("*.md")):
        text = page.read_text(encoding="utf-8")
        if _SHOWN.search(text):
            pages[page] = _SHOWN.sub(lambda found: f"{found[1]}```\n{output(place, SHOWN[found[2]])}```\n", text)
    return pages


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        make_runs(Path(folder))
        for page, text in written(Path(folder)).items():
            page.write_text(text, encoding="utf-8")
