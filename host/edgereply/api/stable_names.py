"""The names that programs may rely on: what `import edgereply` has, and what its classes have.

A name that stands here is neither taken away nor changed in meaning without a new major version; parameters are only
added, by keyword. Everything else in the package may change with any version. `tests/unit/host/api` holds the sources
against this list, signatures included.
"""

from typing import Final

# Name in `edgereply` → module that has it.
MODULES: Final[dict[str, str]] = {
    "open_run": "edgereply.api.runs",
    "open_series": "edgereply.api.series",
    "measure": "edgereply.api.measuring",
    "sweep": "edgereply.api.sweeping",
    "measure_in_turns": "edgereply.api.in_turns",
    "compare": "edgereply.api.comparing",
    "export_dataset": "edgereply.api.data_set",
    "SavedRun": "edgereply.api.runs",
    "SavedSeries": "edgereply.api.series",
    "Answers": "edgereply.api.answers",
    "DeadlineVerdict": "edgereply.api.judging",
    "LateExplanation": "edgereply.api.explaining",
    "RunComparison": "edgereply.api.comparing",
    "Picture": "edgereply.api.pictures",
    "HostError": "edgereply.errors",
    "SettingError": "edgereply.errors",
    "DataError": "edgereply.errors",
    "StoreError": "edgereply.errors",
    "LinkError": "edgereply.errors",
    "BoardError": "edgereply.errors",
    "SourceError": "edgereply.errors",
}

# Class → its public methods and attributes.
MEMBERS: Final[dict[str, tuple[str, ...]]] = {
    "SavedRun": (
        "answers", "as_dict", "board", "close", "counts", "deadline_ns", "evidence", "explain", "figure", "name",
        "path", "record", "state", "summary", "verdict", "virtual",
    ),
    "SavedSeries": ("close", "compare", "conditions", "figure", "name", "path", "record", "runs"),
    "Answers": ("column_names", "reaction_ns", "to_arrow", "to_numpy", "to_pandas", "to_polars"),
    "DeadlineVerdict": ("as_dict", "evidence", "outcome", "passed", "run", "sentences", "virtual"),
    "LateExplanation": ("as_dict", "cautions", "evidence", "run", "sentences", "virtual"),
    "RunComparison": ("as_dict", "figure", "sentences"),
    "Picture": ("kind", "notes", "save", "title", "to_bytes"),
}  # fmt: skip
