"""What the pytest fixture gives to a test: a bench whose runs are kept while the test goes on."""

from __future__ import annotations

import contextlib
import itertools
import re
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from edgereply.api.judging import DeadlineVerdict
from edgereply.api.measuring import measure
from edgereply.api.runs import SavedRun
from edgereply.measurement.measure import block_words
from edgereply.storage.run_reader import RunReader
from edgereply.wording.numbers import exactly

_COUNTS: Final = ("stimuli", "missed", "late", "ambiguous")
_FIGURES: Final = ("median_ns", "p99_ns", "p99_9_ns", "max_ns")


class MeasuredRun(SavedRun):
    """A run that a test has measured; its verdicts go into the test's report."""

    def __init__(self, path: Path, told: RunReport) -> None:
        super().__init__(path)
        self._told = told

    def verdict(self, deadline: str | int | None = None, *rest: Any, **options: Any) -> DeadlineVerdict:
        """Judge a deadline; see `SavedRun.verdict`."""
        found = super().verdict(deadline, *rest, **options)
        self._told.judged(found)
        return found


class RunReport:
    """Figures of one run as properties of a test's report, which are JSON-ready and numbered.

    Args:
        number: of the run in its test, from 1.
        path: where it is.
        properties: of the report; changed in place.
    """

    def __init__(self, number: int, path: Path, properties: list[tuple[str, object]]) -> None:
        self.path, self._properties, self._before = path, properties, f"edgereply.{number}."
        record = RunReader(path).record
        self.words = block_words(record)
        reaction = record.summary.get("reaction") or {}
        self._put("evidence", record.evidence)
        self._put("virtual", record.virtual)
        for name in _COUNTS:
            self._put(name, record.counts.get(name, 0))
        for name in _FIGURES:
            if reaction.get(name) is not None:
                self._put(name, reaction[name])
        self._put("line", self.words)

    def judged(self, verdict: DeadlineVerdict) -> None:
        """Add a verdict."""
        limit_ns = verdict.judgement.verdict.deadline_ns
        self._put("deadline_ns", limit_ns)
        self._put("verdict", verdict.outcome)
        self.words += f"; {exactly(limit_ns)}: {verdict.outcome}"
        self._put("line", self.words)

    def _put(self, name: str, value: object) -> None:
        name = self._before + name
        self._properties[:] = [item for item in self._properties if item[0] != name]
        self._properties.append((name, value))


class BenchFixture:
    """A bench, and what was measured on it in one test.

    Args:
        bench: a bench file, or what would stand in one.
        defaults: options of `measure` where the test gives none.
        folder: in which runs are kept, a directory a test.
        test: its name; runs of an earlier session stay as they are.
        properties: of the test's report.
    """

    def __init__(
        self, bench: Path | Mapping[str, Any], defaults: Mapping[str, Any], folder: Path, test: str,
        properties: list[tuple[str, object]],
    ) -> None:  # fmt: skip
        self._bench, self._defaults, self._properties = bench, dict(defaults), properties
        self._place = folder / re.sub(r"[^\w.-]+", "-", test.rpartition("/")[2])[-150:].strip("-")
        self._reports: list[RunReport] = []
        self._started: list[Path] = []

    def measure(self, **options: Any) -> MeasuredRun:
        """Measure; options and errors as of `edgereply.measure`, but for the run directory.

        Returns:
            The run, which lives as long as the test, and longer where the test fails.
        """
        out = next(path for n in itertools.count(1) if not (path := self._place / f"run-{n:02}").exists())
        self._started.append(out)
        measure(self._bench, **{**self._defaults, **options, "out": out})
        self._reports.append(RunReport(len(self._reports) + 1, out, self._properties))
        return MeasuredRun(out, self._reports[-1])

    def kept(self) -> list[str]:
        """A line a run with its directory, also of those that came to no end."""
        told = {report.path: report.words for report in self._reports}
        return [f"{told.get(path, 'not complete')}; kept in {path}" for path in self._started if path.exists()]

    def remove(self) -> None:
        """Remove the runs of this test, and their directory where nothing else is in it."""
        for path in self._started:
            shutil.rmtree(path, ignore_errors=True)
        with contextlib.suppress(OSError):
            self._place.rmdir()
            self._place.parent.rmdir()
