"""Packed marks against the same marks as plain arrays."""

import numpy as np
import pytest
from numpy.typing import NDArray

from edgereply.analysis.arrays.bits import Bits, join_bits, pack
from edgereply.analysis.statistics.dependence import measure_dependence
from edgereply.analysis.statistics.exceedances import exceedances_above, exceedances_of, measure_exceedances

SIZES = (1, 2, 63, 64, 65, 127, 128, 1000, 4096)


def flags(count: int, share: float = 0.4) -> NDArray[np.bool_]:
    return np.random.default_rng([count, int(100 * share)]).random(count) < share


@pytest.mark.parametrize("count", SIZES)
def test_bits_hold_what_was_packed(count: int) -> None:
    marks = flags(count)
    bits = pack(marks)
    assert bits.count == count
    assert bits.ones == np.count_nonzero(marks)
    places = np.arange(count + 1)
    assert bits.before(places).tolist() == [0, *np.cumsum(marks).tolist()]
    for start, stop in ((0, count), (count // 3, count), (count // 3, count // 2), (count, count)):
        assert bits.values(start, stop).tolist() == marks[start:stop].tolist()


@pytest.mark.parametrize("count", SIZES)
@pytest.mark.parametrize("lag", [0, 1, 5, 63])
def test_bits_set_together_at_a_lag(count: int, lag: int) -> None:
    first, second = flags(count), flags(count, 0.7)
    wanted = int(np.count_nonzero(first[: max(count - lag, 0)] & second[lag:])) if lag < count else 0
    assert pack(first).together(pack(second), lag) == wanted


def test_parts_of_any_length_join() -> None:
    pieces = [flags(count) for count in (64, 1, 130, 63, 5, 128, 700)]
    joined: Bits = join_bits([pack(piece) for piece in pieces])
    whole = pack(np.concatenate(pieces))
    assert joined.count == whole.count
    assert joined.words.tolist() == whole.words.tolist()
    assert join_bits([]).ones == 0


@pytest.mark.parametrize("count", [30, 500, 20_000])
@pytest.mark.parametrize("kind", ["independent", "clustered", "drifting"])
def test_marks_depend_as_the_array_of_marks_does(count: int, kind: str) -> None:
    rng = np.random.default_rng(count)
    values = rng.integers(0, 30, count)
    if kind == "clustered":
        values += 40 * np.repeat(rng.random(count // 10 + 1) < 0.1, 10)[:count]
    if kind == "drifting":
        values += np.arange(count) * 10 // count
    marks = exceedances_above(values, 27)
    plain = (np.add(values > 27, values >= 27, dtype=np.float64)) / 2
    assert marks.values(3, 29).tolist() == plain[3:29].tolist()
    found, wanted = measure_exceedances(marks), measure_dependence(plain)
    assert (found.dependent, found.block_length) == (wanted.dependent, wanted.block_length)
    assert found.lag_1 == pytest.approx(wanted.lag_1, abs=1e-12)
    assert found.dispersion_p == pytest.approx(wanted.dispersion_p, rel=1e-9)
    assert found.effective_count == pytest.approx(wanted.effective_count, rel=1e-9)


def test_marks_all_alike_do_not_depend() -> None:
    for alike in (np.zeros(500, bool), np.ones(500, bool)):
        assert measure_exceedances(exceedances_of(alike)).dependent is False
    assert measure_exceedances(exceedances_above(np.full(500, 7), 7)).dependent is False
