"""The bench file of the mixed series."""

from __future__ import annotations

from pathlib import Path

from tests.rig.rig import Rig
from tests.virtual_board import VirtualBoard

PLAN = Path(__file__).parents[2] / "examples" / "mixed-series.toml"
BENCH = """
title = "Reject gate, four ways to answer (virtual)"
deadline = "2ms"

[board.software_wires]
link = "local"
route = "virtual"
[board.software_wires.source]
kind = "virtual"

[board.plain_kernel]
host = "{plain.host}"
ssh_config = "{plain.ssh_config}"
input = "EYE_IN"
output = "REJECT_OUT"
[board.plain_kernel.source]
kind = "reference"
port = "{plain.serial_port}"

[board.rt_kernel]
host = "{rt.host}"
ssh_config = "{rt.ssh_config}"
input = "EYE_IN"
output = "REJECT_OUT"
[board.rt_kernel.source]
kind = "reference"
port = "{rt.serial_port}"

[board.bare_metal]
responder = "external"
[board.bare_metal.source]
kind = "reference"
port = "{bare.port}"
virtual = true
"""


def bench_text(plain: VirtualBoard, rt: VirtualBoard, bare: Rig) -> str:
    """The bench file for running boards."""
    return BENCH.format(plain=plain, rt=rt, bare=bare)
