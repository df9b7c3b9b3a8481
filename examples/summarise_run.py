"""The printed figures of a run, computed again from its raw stamps with numpy and pyarrow alone.

python examples/summarise_run.py RUN_DIRECTORY

For runs in which every stimulus has its one answer, so that the n-th rise answers the n-th stimulus. As many rises as
stimuli are no proof of that: a stimulus that was missed and an answer that nobody asked for cancel. What became of the
stimuli is in run.json; which rise belongs to which stimulus otherwise is found by edgereply.analysis.pairing.pairing.
"""

import json
import sys
from pathlib import Path

import numpy as np
import pyarrow.dataset as ds


def summarise(run: Path) -> dict[str, int | None]:
    """Counts, and the reaction time in nanoseconds; None for a quantile that the run is too short for."""
    table = ds.dataset(run / "stamps", format="parquet").to_table()
    stimulus, rise, fall = (
        np.sort(table[f"{name}_ns"].drop_null().to_numpy()) for name in ("stimulus", "rise", "fall")
    )
    counts = json.loads((run / "run.json").read_text(encoding="utf-8"))["counts"]
    wrong = {name: counts.get(name, 0) for name in ("missed", "spurious", "coalesced", "ambiguous")}
    if any(wrong.values()) or not len(stimulus) == len(rise) == len(fall) == counts.get("responses"):
        raise SystemExit(
            f"{run}: not every stimulus has its one answer: {len(stimulus)} stimuli, {len(rise)} rises, {wrong}"
        )
    reaction, width = np.sort(rise - stimulus), np.sort(fall - rise)
    # A median takes 6 answers and p99 takes 368 for a 95 % interval; the tool gives neither without.
    return {
        "stimuli": len(stimulus),
        "responses": len(rise),
        "reaction_median_ns": quantile(reaction, 50, 6),
        "reaction_p99_ns": quantile(reaction, 99, 368),
        "reaction_max_ns": int(reaction[-1]),
        "pulse_width_median_ns": quantile(width, 50, 6),
    }


def quantile(ordered: np.ndarray, percent: int, needed: int) -> int | None:
    """The smallest value that so many per cent do not exceed: a value that was measured, in whole numbers."""
    return None if len(ordered) < needed else int(ordered[-(-len(ordered) * percent // 100) - 1])


if __name__ == "__main__":
    print(json.dumps(summarise(Path(sys.argv[1])), indent=1))
