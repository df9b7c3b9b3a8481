"""Clock offset from four stamps."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.analysis.clocks import clock_offset


def test_the_published_example() -> None:
    """RFC 5905 erratum 5020: stamps 0, 50, 50, 100 ms give offset 0 and delay 100 ms."""
    found = clock_offset(0, 50_000_000, 50_000_000, 100_000_000)
    assert (found.offset_ns, found.delay_ns, found.error_bound_ns) == (0, 100_000_000, 50_000_000)


def test_unequal_ways_shift_the_offset_by_half_their_difference() -> None:
    """True offset 7, three up and five down: RFC 5905 section 8 gives 6 with delay 8."""
    found = clock_offset(100, 110, 112, 110)
    assert (found.offset_ns, found.delay_ns, found.error_bound_ns) == (6, 8, 4)


@given(st.integers(-(10**18), 10**18), st.integers(0, 10**12), st.integers(0, 10**12), st.integers(0, 10**12))
def test_the_true_offset_lies_within_the_bound(offset: int, out: int, held: int, back: int) -> None:
    received = out + offset
    found = clock_offset(0, received, received + held, out + held + back)
    assert abs(found.offset_ns - offset) <= found.error_bound_ns
    assert found.delay_ns == out + back
    assert found.error_bound_ns <= found.delay_ns / 2 + 0.5


def test_contradicting_stamps_are_refused() -> None:
    with pytest.raises(ValueError, match="wrong order or a clock was stepped"):
        clock_offset(0, 10, 500, 100)
