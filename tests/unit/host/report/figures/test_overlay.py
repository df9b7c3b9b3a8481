import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.report.figures import overlay
from tests.unit.host.report.runs import run

PULSES = st.lists(st.one_of(st.none(), st.tuples(st.integers(-20, 300), st.integers(0, 200))), max_size=30)


@given(PULSES, st.integers(1, 50), st.integers(1, 20))
@example([(-2, 1)], 1, 1)
def test_persistence_counts_the_level_at_each_edge(
    pulses: list[tuple[int, int] | None], fine: int, coarse: int
) -> None:
    reaction = np.array([NO_STAMP if p is None else p[0] for p in pulses], dtype=np.int64)
    width = np.array([NO_STAMP if p is None else p[1] for p in pulses], dtype=np.int64)
    edges = overlay.persistence_edges([(reaction, width)], fine, coarse)
    assert edges[0] == 0
    assert (np.diff(edges) > 0).all()
    seen = overlay.persistence(reaction, width, edges, reaction.size)
    there = [p for p in pulses if p is not None]
    assert all(rise + wide < edges[-1] for rise, wide in there)
    for place, end in enumerate(edges[1:].tolist()):
        assert seen.high[place] == sum(rise < end <= rise + wide for rise, wide in there)


def test_persistence_spends_its_bins_where_responses_usually_are() -> None:
    view = run([*range(1000, 1999), 10**7])
    edges = overlay.persistence_edges([(view.reaction_ns, view.pulse_width_ns)], 100, 50)
    usual_end = overlay.end_of(view.reaction_ns, view.pulse_width_ns, 99)
    assert usual_end == 51_989
    assert (edges <= 1.5 * usual_end).sum() > 70
    assert edges.size < 170


@pytest.mark.parametrize("values", [[], [NO_STAMP]])
def test_nothing_to_lay_over_each_other(values: list[int]) -> None:
    empty = run(values)
    edges = overlay.persistence_edges([(empty.reaction_ns, empty.pulse_width_ns)], 10, 10)
    seen = overlay.persistence(empty.reaction_ns, empty.pulse_width_ns, edges, len(values))
    assert seen.high.tolist() == [0] * (edges.size - 1)
