"""What the verdict on a long run takes, against a database's query of the same files in the same run.

    python -m tests.benchmarks.large_run [stimuli]

DuckDB counts stimuli and answers and finds exact quantiles, spread and slowest of the reaction times; it takes rows as
they stand and pairs nothing. Processor time, since both use several threads; 10,000,000 stimuli by default.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.benchmarks.day_run import QUIETLY
from tests.benchmarks.long_run import cost, made_up_run

STIMULI = 10_000_000
QUERY = """import duckdb, sys
reaction = "rise_ns - stimulus_ns"
wanted = f"count(*), count({reaction}), quantile_disc({reaction}, [0.5, 0.9, 0.99, 0.999]), stddev({reaction}), "
print(duckdb.sql(f"select {wanted} max({reaction}) from read_parquet('{sys.argv[1]}/stamps/*.parquet')").fetchall())
"""


def results(stimuli: int = STIMULI) -> dict[str, dict[str, float]]:
    """By way: seconds of processor time, peak of memory in MiB, and how many times the query's they are."""
    with tempfile.TemporaryDirectory() as folder:
        run = str(Path(folder) / "run")
        made_up_run(Path(run), stimuli)
        ways = {
            "query": [sys.executable, "-c", QUERY, run],
            "verdict": [sys.executable, "-m", "edgereply", "verdict", run],
            "verdict by pieces": [sys.executable, "-m", "edgereply", "verdict", run, "--by-pieces"],
        }
        taken: dict[str, tuple[float, float]] = {}
        for name, command in ways.items():
            _, cpu, peak, code = cost([*QUIETLY, f"{folder}/said", *command])
            if code not in (0, 1):
                raise RuntimeError(f"{name} ended with {code}: {(Path(folder) / 'said').read_text()[-500:]}")
            taken[name] = cpu, peak
    query = taken["query"][0]
    return {
        name: {"processor_s": cpu, "peak_mib": peak, "query_ratio": cpu / query} for name, (cpu, peak) in taken.items()
    }


def lines(found: dict[str, dict[str, float]]) -> list[str]:
    """For people."""
    return [
        f"{name}: {one['query_ratio']:.1f} times the query's processor time, {one['peak_mib']:,.0f} MiB at most"
        for name, one in found.items()
        if name != "query"
    ]


if __name__ == "__main__":
    print("\n".join(lines(results(int(sys.argv[1]) if len(sys.argv) > 1 else STIMULI))))
