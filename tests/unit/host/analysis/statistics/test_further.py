"""Figures beside the standard ones."""

import numpy as np
import pytest

from edgereply.analysis.statistics.further import FURTHER, Further, further
from edgereply.analysis.statistics.summary import summarise


def test_a_row_stands_in_every_summary(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = summarise(np.arange(1_000, dtype=np.int64)).as_dict()
    monkeypatch.setitem(FURTHER, "last_ns", Further("last", lambda values: int(values[-1])))
    assert summarise(np.arange(1_000, dtype=np.int64)).as_dict() == plain | {"last_ns": 999}
    assert further(np.empty(0, np.int64)) == {"last_ns": None}
