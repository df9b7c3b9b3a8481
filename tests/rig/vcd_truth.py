"""The rig's log of the wires as a VCD, by pyvcd: what a logic analyser on both wires would have written."""

from __future__ import annotations

from pathlib import Path

from vcd import VCDWriter

from tests.rig.truth import CYCLE_NS, Truth

PS_PER_CYCLE = round(CYCLE_NS * 1000)
SIGNALS = ("stimulus", "response")


def write_vcd(truth: Truth, path: Path, ps_per_cycle: int = PS_PER_CYCLE) -> None:
    """Write both wires from the first cycle to now."""
    with path.open("w") as file, VCDWriter(file, timescale="1 ps", comment="chip simulator") as writer:
        lines = {name: writer.register_var("rig", name, "wire", size=1, init=0) for name in SIGNALS}
        for edge in truth.edges:
            if edge.signal in lines:
                writer.change(lines[edge.signal], edge.cycle * ps_per_cycle, edge.level)
        writer.close(truth.now * ps_per_cycle)
