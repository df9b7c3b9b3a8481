"""Run and series directories made from a known truth, without measuring."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgereply.config.settings import Bench
from edgereply.storage.run_record import RunRecord, SourceRecord
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.series_record import BlockRecord, SeriesRecord, save_series
from edgereply.storage.stamps import BoardStamps
from tests.fakes.records import run_record

BENCH: dict[str, Any] = {
    "title": "Reject gate (invented, virtual)",
    "deadline": "2ms",
    "board": {"gate": {"link": "local", "route": "virtual", "wait": "block"}},
    "source": {"kind": "virtual"},
    "stimulus": {"rate": "1000/s", "floor": "500us", "count": 1000, "seed": 20},
}


def record(wait: str = "block", bench: dict[str, Any] | None = None, **changes: Any) -> RunRecord:
    """The record of a run of that bench."""
    checked = Bench.model_validate(BENCH if bench is None else bench)
    name, board = checked.pick("")
    requested = {"board": board.model_dump(mode="json"), "stimulus": checked.stimulus.model_dump(mode="json")}
    requested["board"]["wait"] = wait
    values: dict[str, Any] = {
        "run_id": f"id-{wait}", "title": checked.title, "board": name, "requested": requested,
        "source": SourceRecord(kind=checked.source.kind), "window_ns": checked.stimulus.window,
        "deadline_ns": checked.deadline, "repeat": ["edgereply measure --bench bench.toml"],
    }  # fmt: skip
    return run_record(**values | changes)


def board_rows(stimulus_ns: NDArray[np.int64], reaction_ns: NDArray[np.int64]) -> BoardStamps:
    """What the board stamps of such answers: the edge after a tenth, waking after seven; its clock is a day ahead."""
    edge_ns = stimulus_ns + 86_400 * 10**9 + reaction_ns // 10
    number = np.arange(1, stimulus_ns.size + 1, dtype=np.uint32)
    wake_ns, set_ns = edge_ns + reaction_ns * 6 // 10, edge_ns + reaction_ns * 85 // 100
    return BoardStamps(edge_ns, wake_ns, set_ns, set_ns + 50_000, number, number)


def save_run(
    directory: Path, stimulus_ns: NDArray[np.int64], reaction_ns: NDArray[np.int64], wait: str = "block",
    with_board: bool = False, **changes: Any,
) -> Path:  # fmt: skip
    """Write a complete loop-back run with pulses of 50 µs; answers must come before the next stimulus.

    With the board's rows of them too, if asked for: then it says where the time went.
    """
    writer = RunWriter(directory, record(wait, **changes))
    times = np.stack([stimulus_ns, stimulus_ns + reaction_ns, stimulus_ns + reaction_ns + 50_000], axis=1)
    writer.add_source(np.tile(np.array([1, 2, 3], np.uint8), stimulus_ns.size), times.ravel())
    if with_board:
        writer.add_board(board_rows(stimulus_ns, reaction_ns))
    writer.finish("complete", "")
    return directory


def save_sweep(directory: Path, rounds: int = 6, count: int = 300) -> Path:
    """Write a sweep of two waits at two rates; block answers in about 100 µs, spin in 50, both slower at 500/s."""
    conditions, blocks = {}, []
    for wait in ("block", "spin"):
        for rate in (200, 500):
            conditions[f"{wait}-{rate}_per_s"] = {"wait": wait, "rate": f"{rate}/s"}
    for number in range(1, rounds + 1):
        for name, axes in conditions.items():
            rng = np.random.default_rng([number, len(name)])
            period_ns = 10**9 // int(axes["rate"].removesuffix("/s"))
            level_ns = (100_000 if axes["wait"] == "block" else 50_000) + period_ns // -500 + 10_000
            asked = BENCH | {"stimulus": BENCH["stimulus"] | {"rate": axes["rate"]}}
            save_run(
                directory / f"r{number:02}-{name}", period_ns * np.arange(1, count + 1),
                level_ns + rng.integers(0, 9_000, count), axes["wait"],
                bench=asked, in_effect={"wait": axes["wait"]},
            )  # fmt: skip
            blocks.append(BlockRecord(round=number, condition=name, run=f"r{number:02}-{name}", seed=number,
                                      state="complete"))  # fmt: skip
    blocks.append(BlockRecord(round=rounds + 1, condition=next(iter(conditions)), run="never", seed=1))
    save_series(
        directory,
        SeriesRecord(
            tool="edgereply test", created="2026-01-01T00:00:00+00:00", board="gate", title="A night", order_seed=3,
            conditions=conditions, blocks=blocks, bench=BENCH,
            plan={"bench": "bench.toml", "repeats": rounds, "axes": {"wait": ["block", "spin"], "cpus": []}},
        ),
    )  # fmt: skip
    return directory
