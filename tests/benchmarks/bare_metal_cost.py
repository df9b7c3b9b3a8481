"""Boards without an operating system answer random stimuli, each counted in the cycles of its own simulated chip.

The two AVR boards run beside the pulse source in a chip simulator, the RP2040 board in an emulator; times are those of
the wires' log, so no measuring device lies between. The RP2040's emulator takes no time to enter an interrupt.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
from tests.rig.checks import measured
from tests.rig.rig import Rig
from tests.rig.truth import CYCLE_NS, Truth, read_truth
from tests.rig.vcd_truth import write_vcd
from tests.rp2040.build import board, harness
from tests.rp2040.rig import Rp2040Rig
from tests.tools import need

SEED = 20
DEADLINE_S = 300.0
AVR_BOARDS = {"AVR": "direct", "AVR, pin library": "lookup"}
BOARDS = (*AVR_BOARDS, "RP2040")
CYCLES_NS = {"AVR": CYCLE_NS, "AVR, pin library": CYCLE_NS, "RP2040": 1e9 / Rp2040Rig.clock_hz}


def edges(name: str, count: int, folder: Path) -> Truth:
    """The log of both wires of a run of `count` stimuli."""
    if name in AVR_BOARDS:
        with Rig(board=AVR_BOARDS[name]) as rig:
            measured(rig, f"PULS:COUN {count}", f"PULS:ARR:SEED {SEED}")
            return rig.truth()
    program = harness().with_name("board.js")
    words = [str(need("node", "nodejs")), str(program), str(board()), str(count), str(SEED)]
    done = subprocess.run(words, capture_output=True, check=True, timeout=DEADLINE_S)
    log = folder / "rp2040.tsv"
    log.write_bytes(done.stdout)
    last = int(done.stdout.splitlines()[-1].split()[0])
    return read_truth(log, 1, last + Rp2040Rig.clock_hz // 1000, 0)


def answer_ns(truth: Truth, name: str) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Each stimulus' first rise before the next stimulus, in ns rounded to whole ones; shape (answers,)."""
    stimuli, rises = (np.asarray(truth.cycles(wire, 1), np.int64) for wire in ("stimulus", "response"))
    at = np.searchsorted(rises, stimuli)
    ends = np.append(stimuli[1:], np.iinfo(np.int64).max)
    padded = np.append(rises, np.iinfo(np.int64).max)[at]
    answered = padded < ends
    return np.asarray(np.rint((padded - stimuli)[answered] * CYCLES_NS[name]), np.int64)


def write_recording(truth: Truth, name: str, path: Path) -> None:
    """The log as a VCD that `edgereply import` takes."""
    write_vcd(truth, path, round(CYCLES_NS[name] * 1000))
