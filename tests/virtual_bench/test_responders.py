"""The responders of examples/responders on a real kernel: each answers each stimulus once (virtual)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.runtime_cost import RESPONDERS, bring, inside_ns
from tests.virtual_bench.bench import VirtualBench

pytestmark = pytest.mark.virtual_board
COUNT = 40


@pytest.mark.parametrize("name", RESPONDERS)
def test_every_stimulus_is_answered_once(bench: VirtualBench, tmp_path: Path, name: str) -> None:
    answers = inside_ns(bench, bring(bench.board, RESPONDERS[name], tmp_path), COUNT)
    assert answers.size == COUNT
    record = bench.reader().record
    assert (record.counts["responses"], record.counts["missed"], record.counts["spurious"]) == (COUNT, 0, 0)
