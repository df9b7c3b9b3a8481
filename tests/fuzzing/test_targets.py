"""A little of everything hostile in each test run; `python -m tests.fuzzing` for much of it."""

from __future__ import annotations

import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.strategies import DrawFn

from tests.fuzzing.seeds import seeds
from tests.fuzzing.targets import TARGETS

SLOW = {"run_page": 4, "stamps": 8, "parquet": 15, "run_json": 15}
EXAMPLES = 40
# What has taken long, or a traceback, somewhere, some time.
KNOWN = [
    b"", b"\0" * 48, b"\xff" * 48, b"\x7f" + b"\xff" * 71, b"[" * 200_000, b'{"a":' * 100_000, b"9" * 100_000,
    b'{"a":' + b"9" * 5000 + b"}", b"1e999", b"1E-999", b"a=" + b"[" * 50_000, b"a.b" + b".c" * 20_000 + b"=1",
    b"p9+3\x1c%", b"#9999999999", b'{"board_ns":1' + b"0" * 5000 + b"}\n",
]  # fmt: skip
MOST_CPU_S = 20.0


@st.composite
def changed(draw: DrawFn, good: list[bytes]) -> bytes:
    """Good input with a few bytes changed, taken out, doubled or put in."""
    data = bytearray(draw(st.sampled_from(good)))
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, max(0, len(data) - 1)))
        size = draw(st.integers(0, 12))
        new = draw(st.binary(max_size=4) | st.just(bytes(data[at : at + size])))
        data[at : at + draw(st.sampled_from([0, 1, size]))] = new
    return bytes(data)


@pytest.mark.parametrize("name", TARGETS)
def test_nothing_hostile_does_harm(name: str) -> None:
    """No other exception than the ones that explain themselves."""
    good = seeds().get(name, [b""])

    @settings(max_examples=SLOW.get(name, EXAMPLES), suppress_health_check=list(HealthCheck))
    @given(st.binary(max_size=200) | changed(good))
    def feed(data: bytes) -> None:
        TARGETS[name](data)

    feed()


@pytest.mark.parametrize("name", TARGETS)
def test_known_horrors_are_refused_soon(name: str) -> None:
    """In processor time, as wall time is the computer's affair; an endless or quadratic reader takes minutes."""
    for data in KNOWN:
        began = time.process_time()
        TARGETS[name](data)
        assert time.process_time() - began < MOST_CPU_S, data[:20]


@pytest.mark.parametrize("name", sorted(seeds()))
def test_seeds_are_good_input(name: str) -> None:
    """What the bad input is made from reaches further than the first check."""
    for data in seeds()[name]:
        TARGETS[name](data)
