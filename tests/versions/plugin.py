"""Loaded by pytest under other Pythons: what the tests, not the agent, use of 3.10, and how an emulated one is started.

An emulated interpreter cannot be started by its own path: `EDGEREPLY_WRAPPER` names the script that runs it.
"""

from __future__ import annotations

import builtins
import itertools
import os
import sys
from collections.abc import Iterable, Iterator
from typing import Any

if not hasattr(itertools, "pairwise"):
    _plain: Any = zip

    def _zip(*columns: Iterable[Any], strict: bool = False) -> Iterator[Any]:
        found: Iterator[Any] = _plain(*columns)
        if strict:
            kept = [list(column) for column in columns]
            if len({len(column) for column in kept}) > 1:
                raise ValueError("zip() arguments are not of one length")
            found = _plain(*kept)
        return found

    def _pairwise(items: Iterable[Any]) -> Iterator[Any]:
        kept = list(items)
        return _zip(kept, kept[1:])

    vars(builtins)["zip"] = _zip
    vars(itertools)["pairwise"] = _pairwise

if "EDGEREPLY_WRAPPER" in os.environ:
    sys.executable = os.environ["EDGEREPLY_WRAPPER"]
