"""The compiled functions are those of scipy's packages, whichever is imported first."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import numpy as np
import pytest
import scipy.fft
import scipy.special
from numpy.typing import NDArray

from edgereply.analysis.arrays import compiled as module
from edgereply.analysis.arrays.compiled import FUNCTIONS, compiled, fast_length, irfft, rfft, special

WITHOUT = """import sys
from edgereply.analysis.arrays import compiled
assert not {'scipy.special', 'scipy.fft'} & set(sys.modules), 'the packages were run'
import scipy.fft, scipy.special, scipy.stats
assert all(getattr(scipy.special, name) is getattr(compiled.special, name) for name in compiled.FUNCTIONS)
print(scipy.stats.nct.pdf(1.0, 2.0, 3.0), scipy.special.gammaln(5.0), *scipy.fft.rfft([1.0, 2.0]).real)"""


@pytest.mark.parametrize("name", FUNCTIONS)
def test_functions_are_the_very_ones_of_the_package(name: str) -> None:
    assert getattr(special, name) is getattr(scipy.special, name)


def test_the_packages_are_not_run_and_are_whole_when_somebody_imports_them_later() -> None:
    done = subprocess.run([sys.executable, "-c", WITHOUT], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    # The density from Johnson, Kotz and Balakrishnan's series by `scipy.stats` itself; ln 4!; 1 + 2 and 1 - 2.
    plain = "import scipy.stats; print(scipy.stats.nct.pdf(1.0, 2.0, 3.0))"
    alone = subprocess.run([sys.executable, "-c", plain], capture_output=True, text=True, timeout=300, check=True)
    assert done.stdout.split() == [alone.stdout.strip(), str(scipy.special.gammaln(5.0)), "3.0", "-1.0"]


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize(("count", "length"), [(1, 1), (7, 16), (16, 7), (1000, 1234), (4096, 4096)])
@pytest.mark.parametrize("found", [True, False])
def test_transforms_are_those_of_the_package_to_the_last_bit(
    kind: type, count: int, length: int, found: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not found:
        monkeypatch.setattr(module, "_transforms", None)
    values: NDArray[np.floating[Any]] = np.random.default_rng(count).normal(size=count).astype(kind)
    there = rfft(values, length)
    np.testing.assert_array_equal(there, scipy.fft.rfft(values, length))
    assert there.dtype == scipy.fft.rfft(values, length).dtype
    np.testing.assert_array_equal(irfft(there, length), scipy.fft.irfft(there, length))
    for real in (False, True):
        assert fast_length(length * 37 + 1, real) == scipy.fft.next_fast_len(length * 37 + 1, real=real)


@pytest.mark.parametrize("name", ["scipy.special._nothing", "scipy.nothing._ufuncs", "nothing.at_all._ufuncs"])
def test_what_is_not_there_leaves_nothing_behind(name: str) -> None:
    before = set(sys.modules)
    assert compiled(name, ()) is None
    assert "scipy.nothing" not in set(sys.modules) - before
    assert sys.modules["scipy.special"] is scipy.special


def test_a_module_that_lacks_a_function_is_not_taken() -> None:
    assert compiled("scipy.special._ufuncs", ("ndtr",)) is not None
    assert compiled("scipy.special._ufuncs", ("ndtr", "nothing")) is None
