import numpy as np
from scipy import stats

from edgereply.analysis.arrays.presence import NO_STAMP, present
from edgereply.report.figures import density
from tests.unit.host.report.runs import usual


def test_counts_agree_with_numpy() -> None:
    values = usual().reaction_ns
    edges, log = density.shared_edges([present(values)], 40)
    assert log
    # numpy's last bin is closed; the edges reach past the largest value, so that makes no difference.
    expected, _ = np.histogram(present(values), bins=edges)
    counts = density.counts_between(present(values), edges)
    np.testing.assert_array_equal(counts, expected)
    assert counts.sum() == present(values).size


def test_edges_hold_every_sample() -> None:
    edges, log = density.shared_edges([np.array([5, 90]), np.array([], dtype=np.int64), np.array([200])], 10)
    assert (int(edges[0]) <= 5, int(edges[-1]) > 200, log) == (True, True, True)
    edges, log = density.shared_edges([np.array([100, 150])], 10)
    assert (int(edges[0]) <= 100, int(edges[-1]) > 150, log) == (True, True, False)
    assert density.shared_edges([np.array([], dtype=np.int64)], 10)[0].size == 0


def test_exceedance_is_the_empirical_survival_function() -> None:
    view = usual()
    curve = density.exceedance(view.reaction_ns, view.stimuli, points=50)
    # scipy.stats.ecdf treats missed stimuli as censored beyond every answer.
    values = np.where(view.answered(), view.reaction_ns, 10**12)
    sample = stats.CensoredData(values[view.answered()], right=values[~view.answered()])
    reference = stats.ecdf(sample).sf.evaluate(curve.at_ns)
    np.testing.assert_allclose(curve.unanswered / curve.stimuli, reference, rtol=1e-12)
    assert int(curve.unanswered[-1]) == int((~view.answered()).sum()) > 0


def test_exceedance_keeps_each_of_the_slowest_hundred() -> None:
    values = np.arange(100_000, dtype=np.int64)
    curve = density.exceedance(values, values.size, points=20)
    np.testing.assert_array_equal(curve.at_ns[-100:], values[-100:])
    assert curve.at_ns.size < 130
    assert density.exceedance(np.array([NO_STAMP]), 1).at_ns.size == 0


def test_stimuli_the_board_never_saw_count_as_unanswered() -> None:
    curve = density.exceedance(np.array([10, 20]), 5)
    assert curve.unanswered.tolist() == [4, 3]


def test_cells_hold_every_answer_where_it_belongs() -> None:
    view = usual()
    since, reaction = view.timeline()
    cells = density.over_time(since, reaction, 40, 30)
    assert cells is not None
    there = reaction != NO_STAMP
    expected, _, _ = np.histogram2d(reaction[there], since[there], bins=(cells.y_edges_ns, cells.x_edges_ns))
    np.testing.assert_array_equal(cells.counts, expected)
    assert density.over_time(since, np.full_like(reaction, NO_STAMP), 40, 30) is None


def test_the_slowest_of_each_part_is_kept() -> None:
    since = np.arange(0, 100, 10)
    reaction = np.array([3, 9, NO_STAMP, NO_STAMP, 4, 4, 1, 2, 8, 7])
    at, slowest = density.slowest_over_time(since, reaction, 5)
    assert (at.tolist(), slowest.tolist()) == ([0, 38, 57, 76], [9, 4, 2, 8])
