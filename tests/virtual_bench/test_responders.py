"""The responders of examples/responders on a real kernel, watched by the agent (virtual)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.runtime_cost import RESPONDERS, bring, inside_ns
from tests.virtual_bench.bench import VirtualBench

pytestmark = pytest.mark.virtual_board
COUNT = 40


@pytest.mark.parametrize("name", RESPONDERS)
def test_it_answers_by_itself(bench: VirtualBench, tmp_path: Path, name: str) -> None:
    answers = inside_ns(bench, bring(bench.board, RESPONDERS[name], tmp_path), COUNT)
    counts = bench.reader().record.counts
    # Edges that come while the one processor is the agent's may merge; none is made up.
    assert sum(counts[kind] for kind in ("responses", "missed", "coalesced", "ambiguous")) == COUNT
    assert counts["spurious"] == 0
    assert min(counts["responses"], answers.size) >= 0.9 * COUNT
    assert (answers > 0).all()
