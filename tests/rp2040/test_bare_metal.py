"""The bare-metal board for the RP2040, in the emulator: every stimulus answered once, at once.

The emulator takes no time to enter an interrupt; a Cortex-M0+ takes 15 cycles (from memory, without a source at hand).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.bare_metal_cost import answer_ns, edges

pytestmark = pytest.mark.rig
COUNT = 200
SYNCHRONISER_CYCLES, HANDLER_CYCLES, CYCLE_NS = 2, 30, 8


def test_each_stimulus_is_answered_once_and_at_once(tmp_path: Path) -> None:
    truth = edges("RP2040", COUNT, tmp_path)
    rises, falls = truth.cycles("response", 1), truth.cycles("response", 0)
    assert len(truth.cycles("stimulus", 1)) == len(rises) == len(falls) == COUNT
    assert all(0 < fall - rise <= HANDLER_CYCLES for rise, fall in zip(rises, falls, strict=True))
    answers = answer_ns(truth, "RP2040")
    assert len(answers) == COUNT
    assert answers.min() > SYNCHRONISER_CYCLES * CYCLE_NS
    assert answers.max() <= (SYNCHRONISER_CYCLES + 2 * HANDLER_CYCLES) * CYCLE_NS
