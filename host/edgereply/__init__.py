"""edgereply: how long a board takes to answer an input edge, and how much that varies.

The command line is `edgereply`; the same from Python is what `api/stable_names.py` lists. Importing this module costs
next to nothing: each name brings in what it needs when it is first used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from edgereply.api.answers import Answers as Answers
    from edgereply.api.comparing import RunComparison as RunComparison
    from edgereply.api.comparing import compare as compare
    from edgereply.api.data_set import export_dataset as export_dataset
    from edgereply.api.explaining import LateExplanation as LateExplanation
    from edgereply.api.in_turns import measure_in_turns as measure_in_turns
    from edgereply.api.judging import DeadlineVerdict as DeadlineVerdict
    from edgereply.api.measuring import measure as measure
    from edgereply.api.pictures import Picture as Picture
    from edgereply.api.runs import SavedRun as SavedRun
    from edgereply.api.runs import open_run as open_run
    from edgereply.api.series import SavedSeries as SavedSeries
    from edgereply.api.series import open_series as open_series
    from edgereply.api.sweeping import sweep as sweep
    from edgereply.errors import BoardError as BoardError
    from edgereply.errors import DataError as DataError
    from edgereply.errors import HostError as HostError
    from edgereply.errors import LinkError as LinkError
    from edgereply.errors import SettingError as SettingError
    from edgereply.errors import SourceError as SourceError
    from edgereply.errors import StoreError as StoreError
    from edgereply.version import __version__ as __version__


def __getattr__(name: str) -> Any:
    from edgereply.api.stable_names import MODULES

    if name == "__version__":
        from edgereply.version import __version__

        return __version__
    if name not in MODULES:
        raise AttributeError(f"module 'edgereply' has no attribute {name!r}")
    found = getattr(importlib.import_module(MODULES[name]), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    from edgereply.api.stable_names import MODULES

    return sorted({*globals(), *MODULES, "__version__"})
