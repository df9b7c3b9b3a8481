"""How wrong it is to read jitter off an envelope (persistence), shown on invented pulses whose truth is known.

python examples/envelope_or_edges.py RECORDING.vcd

Invented, hence virtual: a reject gate that answers from two states, slower at the start; some pulses are held.
The file it writes can be imported: `edgereply import RECORDING.vcd --deadline 2ms --accept --out RUN_DIRECTORY`.
"""

import sys
from pathlib import Path

import numpy as np

COUNT, NOMINAL_NS = 4_000, 100_000
HEAD = (
    "$timescale 1 ns $end\n$scope module gate $end\n$var wire 1 s light_barrier $end\n$var wire 1 r gate_driver $end\n"
)


def main(recording: Path) -> None:
    """Write the recording; print what its edges say, and what its envelope seems to say."""
    rng = np.random.default_rng(20)
    stimulus = np.cumsum(5_000_000 + rng.exponential(15_000_000, COUNT)).astype(np.int64)
    reaction = np.where(rng.random(COUNT) < 0.75, 60_000, 95_000) + rng.normal(0, 3_000, COUNT).astype(np.int64)
    reaction[:250] += 40_000
    held = np.where(rng.random(COUNT) < 0.015, rng.integers(300_000, 800_000, COUNT), 0)
    width = NOMINAL_NS + rng.exponential(4_000, COUNT).astype(np.int64) + held

    rise, fall = reaction, reaction + width  # on a screen triggered by the stimulus
    spread = int(np.ptp(rise))
    envelope = int(fall.max() - rise.min())
    print(f"edges:    rises spread over {spread:,} ns, standard deviation {rise.std(ddof=1):,.0f} ns")
    print(f"envelope: {envelope:,} ns wide, minus {NOMINAL_NS:,} ns nominal is {envelope - NOMINAL_NS:,} ns:", end=" ")
    print(f"{(envelope - NOMINAL_NS) / spread:.1f} times the truth")
    usual = int(np.median(300_000 - rise))
    seen = int(300_000 - rise.min()) - usual
    print(f"the same rises, each pulse ending 300,000 ns after its stimulus: {seen:,} ns, {seen / spread:.2f} times")

    changes = [(stimulus, "1s"), (stimulus + 1_000_000, "0s"), (stimulus + rise, "1r"), (stimulus + fall, "0r")]
    rows = sorted((int(at), value) for times, value in changes for at in times)
    body = "".join(
        f"#{at}\n{value}\n" for at, value in [(0, "0s"), (0, "0r"), *rows, (rows[-1][0] + 100_000_000, "0s")]
    )
    recording.write_text(f"{HEAD}$upscope $end\n$enddefinitions $end\n{body}", encoding="ascii")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
