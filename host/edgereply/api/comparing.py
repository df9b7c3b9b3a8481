"""Finished runs and series beside each other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from edgereply.analysis.statistics.equivalence import MATTERS
from edgereply.api.option_values import duration_value, margin_option
from edgereply.comparison.compare import Comparison, compare_entries
from edgereply.comparison.conditions import compared_words
from edgereply.comparison.entries import load_entries
from edgereply.errors import SettingError
from edgereply.system.workers import Each, alone

if TYPE_CHECKING:
    from edgereply.api.pictures import Picture
    from edgereply.api.saved import Saved
    from edgereply.evaluation.run_view import RunView


def compare_finished(
    paths: Sequence[Path], deadline_ns: int | None, each: Each, matters: float = MATTERS,
    named: Callable[[str], str] = str,
) -> Comparison:  # fmt: skip
    """Compare runs and series that are on the disk.

    Args:
        paths: run or series directories.
        deadline_ns: judged in place of the runs' own.
        each: works on runs and conditions.
        matters: the smallest change that counts, a part of the whole.
        named: what people call a place, where that is not its path: a run out of a bundle.

    Raises:
        DataError: neither a run nor a series, or damaged.
    """
    one_series = len(paths) == 1 and (paths[0] / "series.json").is_file()
    entries = [
        replace(entry, name=named(entry.name), places=tuple(map(named, entry.places)),
                trouble=tuple(map(named, entry.trouble)))
        for entry in load_entries(paths, deadline_ns, each)
    ]  # fmt: skip
    return compare_entries(entries, one_series, each=each, matters=matters)


@dataclass(frozen=True, eq=False)
class RunComparison:
    """Runs or conditions beside each other. A notebook shows the verdicts, the table and the picture of all of them.

    Attributes:
        comparison: everything that was found.
    """

    comparison: Comparison = field(repr=False)
    paths: tuple[Path, ...]
    deadline_ns: int | None = None
    named: Callable[[str], str] = field(repr=False, default=str)
    kept: object = field(repr=False, default=None)

    @property
    def sentences(self) -> tuple[str, ...]:
        """What was compared, then every pair in words, then what the figures are worth against each other."""
        found = self.comparison
        compared = [compared_words(found.differences)] if len(found.places) > 1 else []
        return (*compared, *found.sentences, *found.words)

    def __str__(self) -> str:
        return "\n".join(self.sentences)

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready, the document that `edgereply compare --json` prints; times in integer nanoseconds."""
        return self.comparison.as_dict()

    def figure(self, kind: str = "boards") -> Picture:
        """A figure of all of them.

        Args:
            kind: boards, distribution, persistence, over-time, segments, tail, quantiles, rates or fold.

        Raises:
            SettingError: there is none of that name, or these runs cannot fill it.
        """
        from edgereply.api.pictures import draw_figure

        return draw_figure(kind, self._views)

    def _repr_html_(self) -> str:
        from edgereply.api.notebook import first_sight

        return first_sight(self._views, self.comparison, self.figure())

    @cached_property
    def _views(self) -> list[RunView]:
        from edgereply.report.material import load_material

        return load_material(self.paths, self.deadline_ns, lambda line: None, named=self.named).views


def compare(*runs: str | Path | Saved, deadline: str | int | None = None, matters: str = "5%") -> RunComparison:
    """Compare finished runs and series, any number.

    Args:
        runs: run or series directories, bundles, or what `open_run`, `open_series` and `measure` give.
        deadline: judged in place of the runs' own, such as "2ms", or nanoseconds.
        matters: the smallest difference that counts; "0%" counts any.

    Raises:
        SettingError: nothing to compare, or not a time or share.
        DataError: neither a run nor a series, damaged, or a bundle that is not what it says.
        StoreError: no room to unpack a bundle.
    """
    if not runs:
        raise SettingError("nothing to compare", where="compare", remedy="give runs or series")
    deadline_ns, margin = duration_value(deadline, "deadline"), margin_option(matters, "matters")
    given = [Path(run) if isinstance(run, str | Path) else run.path for run in runs]
    from edgereply.exchange.bundle.opened import opened

    with ExitStack() as stack:
        found = stack.enter_context(opened(given, lambda line: None))
        names = {str(run.path): run.name for run in runs if not isinstance(run, str | Path)}

        def named(text: str) -> str:
            return names.get(text) or found.named(text)

        comparison = compare_finished(found.paths, deadline_ns, alone, margin, named)
        return RunComparison(comparison, found.paths, deadline_ns, named, _Kept(stack.pop_all(), runs))


class _Kept:
    """What was unpacked, and the runs that were given, for as long as the comparison is."""

    def __init__(self, stack: ExitStack, runs: Sequence[object]) -> None:
        import weakref

        self.runs = runs
        weakref.finalize(self, stack.close)
