"""The printed figures of a run, computed again from its raw stamps with numpy and pyarrow alone.

python examples/summarise_run.py RUN_DIRECTORY

For runs that missed nothing: as many rises as stimuli, so the n-th rise answers the n-th stimulus. Where answers are
missing, which rise belongs to which stimulus has to be found out first; that is edgereply.analysis.pairing.pairing.
"""

import json
import sys
from pathlib import Path

import numpy as np
import pyarrow.dataset as ds


def summarise(run: Path) -> dict[str, int]:
    """Counts, and the reaction time in nanoseconds."""
    table = ds.dataset(run / "stamps", format="parquet").to_table()
    stimulus, rise, fall = (
        np.sort(table[f"{name}_ns"].drop_null().to_numpy()) for name in ("stimulus", "rise", "fall")
    )
    if not len(stimulus) == len(rise) == len(fall):
        raise SystemExit(f"{run}: {len(stimulus)} stimuli, {len(rise)} rises: not every stimulus has its one answer")
    reaction, width = rise - stimulus, fall - rise
    median, p99 = np.quantile(reaction, [0.5, 0.99], method="inverted_cdf")
    return {
        "stimuli": len(stimulus),
        "responses": len(rise),
        "reaction_median_ns": int(median),
        "reaction_p99_ns": int(p99),
        "reaction_max_ns": int(reaction.max()),
        "pulse_width_median_ns": int(np.quantile(width, 0.5, method="inverted_cdf")),
    }


if __name__ == "__main__":
    print(json.dumps(summarise(Path(sys.argv[1])), indent=1))
