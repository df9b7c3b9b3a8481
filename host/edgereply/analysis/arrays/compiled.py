"""Compiled functions of scipy without the packages around them, which take longer to import than many a command runs.

`scipy.special` and `scipy.fft` wrap what they have compiled for other array libraries and write the documentation of
each wrapper anew when they are imported: a quarter of a second of processor time each command, for functions that pass
numpy arrays on as they are. Here the compiled module is imported beside its package, so every number is the one that
the package gives. Where a version of scipy has it elsewhere, or does not let it be imported so, the package itself is
imported: nothing but that time depends on it.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence
from importlib.machinery import PathFinder
from types import ModuleType
from typing import Any, Final

import numpy as np

from edgereply.analysis.arrays.aliases import Floats

# Of `scipy.special` as far as the house uses it.
FUNCTIONS: Final = (
    "betaincinv", "betainccinv", "betainc", "betaincc", "fdtrc", "gammaincinv", "ndtr", "ndtri", "stdtr", "stdtrit",
    "xlogy",
)  # fmt: skip
_TRANSFORMS: Final = ("c2r", "good_size", "r2c")


def compiled(name: str, needed: Sequence[str]) -> ModuleType | None:
    """Import a compiled module without running the packages it lies in, but for the outermost.

    Empty packages stand in their places meanwhile and are taken away again: whoever imports one of them later gets all
    of it, with this same module inside.

    Args:
        name: full name, such as `scipy.special._ufuncs`.
        needed: names it must have.

    Returns:
        The module; None where it is not there, cannot be imported so, or lacks a name.
    """
    outermost, *inner = name.split(".")[:-1]
    stand_ins: list[str] = []
    try:
        places, package = list(importlib.import_module(outermost).__path__), outermost
        for part in inner:
            package = f"{package}.{part}"
            spec = PathFinder.find_spec(package, places)
            places = list((spec and spec.submodule_search_locations) or ())
            if package not in sys.modules:
                sys.modules[package] = ModuleType(package)
                sys.modules[package].__path__ = places
                stand_ins.append(package)
        found = importlib.import_module(name)
    except Exception:  # whatever fails here, the package itself is there
        return None
    finally:
        for stand_in in stand_ins:
            del sys.modules[stand_in]
    return found if all(hasattr(found, one) for one in needed) else None


special: Final[Any] = compiled("scipy.special._ufuncs", FUNCTIONS) or importlib.import_module("scipy.special")
_transforms: Final[Any] = compiled("scipy.fft._pocketfft.pypocketfft", _TRANSFORMS)


def fast_length(least: int, real: bool = False) -> int:
    """The shortest quick length of a transform, see `scipy.fft.next_fast_len`."""
    if _transforms is None:
        return int(importlib.import_module("scipy.fft").next_fast_len(least, real=real))
    return int(_transforms.good_size(least, real))


def rfft(values: Any, length: int) -> Any:
    """Fourier transform of real values, see `scipy.fft.rfft`.

    Args:
        values: shape (n,), float32 or float64.
        length: values are cut to it, or zeros added.

    Returns:
        Shape (length // 2 + 1,), complex64 or complex128.
    """
    if _transforms is None:
        return importlib.import_module("scipy.fft").rfft(values, length)
    return _transforms.r2c(_of_length(values, length), (0,), True, 0, None, 1)


def irfft(values: Any, length: int) -> Floats:
    """The inverse of `rfft`, see `scipy.fft.irfft`.

    Args:
        values: shape (k,), complex64 or complex128, cut to length // 2 + 1 or zeros added.
        length: of the result.
    """
    if _transforms is None:
        found: Floats = importlib.import_module("scipy.fft").irfft(values, length)
    else:
        found = _transforms.c2r(_of_length(values, length // 2 + 1), (0,), length, False, 2, None, 1)
    return found


def _of_length(values: Any, length: int) -> Any:
    if values.size >= length:
        return values[:length]
    longer = np.zeros(length, values.dtype)
    longer[: values.size] = values
    return longer
