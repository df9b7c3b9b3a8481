"""Make the two small recordings beside this file: a bottling line's reject gate, invented.

python examples/recordings/make.py

Light barrier 3.3 V through 2 µs of RC, gate driver 5 V through 5 µs, reaction times 180 to 620 µs and one of 2.4 ms.
"""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from vcd import VCDWriter

HERE = Path(__file__).parent
STEP_US = 10.0
PULSES = 20


def truth() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Stimuli and reaction times, microseconds."""
    generator = np.random.default_rng(7)
    stimulus = 2_000.0 + np.cumsum(generator.uniform(4_000.0, 6_000.0, PULSES))
    reaction = 180.0 + generator.gamma(2.0, 60.0, PULSES)
    reaction[13] = 2_400.0
    return stimulus, reaction


def line(time: NDArray[np.float64], rise: NDArray[np.float64], width: float, tau: float) -> NDArray[np.float64]:
    """A line from 0 to 1 that rises and falls through an RC element."""
    level = np.zeros_like(time)
    for at in rise:
        since, after = time - at, time - at - width
        level += np.where(since > 0, 1.0 - np.exp(-np.maximum(since, 0) / tau), 0.0)
        level -= np.where(after > 0, 1.0 - np.exp(-np.maximum(after, 0) / tau), 0.0)
    return level


def main() -> None:
    """Write both files."""
    stimulus, reaction = truth()
    noise = np.random.default_rng(8)
    end = stimulus[-1] + 6_000.0
    time = np.arange(0.0, end, STEP_US)
    barrier = 3.3 * line(time, stimulus, 800.0, 2.0) + noise.normal(0.0, 0.01, time.size)
    gate = 5.0 * line(time, stimulus + reaction, 1_200.0, 5.0) + noise.normal(0.0, 0.015, time.size)
    rows = [f"{t / 1e3:.3f};{a:.2f};{b:.2f}".replace(".", ",") for t, a, b in zip(time, barrier, gate, strict=True)]
    head = "Bottling line reject gate (invented)\nTime (ms);light barrier (V);gate driver (V)\n"
    (HERE / "reject_gate.csv").write_text(head + "\n".join(rows) + "\n", encoding="utf-8")
    comment = "Bottling line reject gate (invented)"
    with (
        (HERE / "reject_gate.vcd").open("w", encoding="ascii") as file,
        VCDWriter(file, timescale="100 ns", date="", comment=comment) as writer,
    ):
        lines = [writer.register_var("gate", name, "wire", size=1, init=0) for name in ("light_barrier", "gate_driver")]
        # At the 50 % crossing, τ·ln 2 after the edge, on the ticks of a sampler at 10 MHz.
        edges = [
            (round(10.0 * float(at + shift)), lines[place], level)
            for place, at, shift, width in (
                (0, stimulus, 2.0 * np.log(2.0), 800.0),
                (1, stimulus + reaction, 5.0 * np.log(2.0), 1_200.0),
            )
            for at, level in ((at + extra, level) for at in at for extra, level in ((0.0, 1), (width, 0)))
        ]
        for tick, variable, level in sorted(edges, key=lambda edge: edge[0]):
            writer.change(variable, tick, level)
        writer.close(round(10.0 * end))


if __name__ == "__main__":
    main()
