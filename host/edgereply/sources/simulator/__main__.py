"""Entry point: ``python -m edgereply.sources.simulator``, a virtual pulse source on a pseudo-terminal."""

from __future__ import annotations

import argparse
import json
import random
import signal
import sys
from time import monotonic_ns

from edgereply.errors import SettingError
from edgereply.sources.simulator.clock import VirtualClock
from edgereply.sources.simulator.faults import Faults
from edgereply.sources.simulator.line import SerialLine
from edgereply.sources.simulator.peer import Peer
from edgereply.sources.simulator.wires import Wires


def main(arguments: list[str] | None = None) -> int:
    """Serve one virtual source until standard input closes.

    Args:
        arguments: of the command line; those of the process when None.

    Returns:
        The exit code.
    """
    parser = _parser()
    options = vars(parser.parse_args(arguments))
    seed, tick_hz, drift_ppm = options.pop("seed"), options.pop("tick_hz"), options.pop("drift_ppm")
    try:
        faults = Faults(**options)
    except SettingError as error:
        parser.error(str(error))
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the host's to handle; it closes our input
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    rng = random.Random(seed)
    clock = VirtualClock(
        tick_hz=tick_hz, drift_ppb=round(drift_ppm * 1000), offset=rng.getrandbits(32), origin_ns=monotonic_ns()
    )
    line = SerialLine(faults.garbage, rng)
    wires = Wires()
    try:
        print(json.dumps({"port": line.port, "wires": wires.path}), flush=True)
        Peer(clock, line, wires, faults, f"V{seed:08d}", rng).serve()
    finally:
        line.unplug()
        wires.close()
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m edgereply.sources.simulator", description=__doc__)
    parser.add_argument("--seed", type=int, default=1, help="of the clock's origin and of the faults")
    parser.add_argument("--tick-hz", type=int, default=16_000_000, help="ticks a second")
    parser.add_argument("--drift-ppm", type=float, default=20.0, help="how much faster than this computer's clock")
    for name in ("drop", "duplicate", "late", "spurious", "garbage"):
        parser.add_argument(f"--{name}", type=float, default=0.0, metavar="PROBABILITY")
    parser.add_argument("--late-us", type=int, default=1000)
    parser.add_argument("--stuck-after-ms", type=int)
    parser.add_argument("--unplug-after", type=int, metavar="STIMULI")
    return parser


if __name__ == "__main__":
    sys.exit(main())
