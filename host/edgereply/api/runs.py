"""One finished run: its answers, figures, verdict, explanation and pictures."""

from __future__ import annotations

from contextlib import ExitStack
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from edgereply.api.option_values import duration_value, share_value
from edgereply.api.saved import Saved
from edgereply.errors import SettingError
from edgereply.storage.run_reader import RunReader

if TYPE_CHECKING:
    from edgereply.api.answers import Answers
    from edgereply.api.explaining import LateExplanation
    from edgereply.api.judging import DeadlineVerdict
    from edgereply.api.pictures import Picture
    from edgereply.report.material import Material

_LOST = ("lost_edges", "unrecorded", "lost_records")


class SavedRun(Saved):
    """A run on the disk, made by `open_run`, `measure` or a series. A notebook shows its verdict, table and picture.

    Every figure is the command line's own: the same numbers as its `--json`. Raw stamps are read when they are needed
    and checked each time. Not thread-safe.

    Attributes:
        path: the run's directory.
        name: what it was opened by.
    """

    def __init__(self, path: Path, name: str = "", kept: ExitStack | None = None, owner: object = None) -> None:
        """Read the record of a run.

        Args:
            path: the run's directory.
            name: what people call it; its path when "".
            kept: closed with the run, such as a place where a bundle was unpacked.
            owner: of that place, where it is not this run; kept alive by it.

        Raises:
            DataError: not a run directory, damaged, or of a newer format.
        """
        super().__init__(path, name, kept)
        self._owner = owner
        self._record = RunReader(path).record

    def __repr__(self) -> str:
        virtual = ", virtual" if self.virtual else ""
        return f"<run {self.name}: {self.board}, {self.counts.get('stimuli', 0):,} stimuli, {self.state}{virtual}>"

    @property
    def record(self) -> dict[str, Any]:
        """Contents of `run.json`: settings as asked for and in effect, environment, warnings; times in nanoseconds."""
        return self._record.model_dump(mode="json")

    @property
    def board(self) -> str:
        """Name of the board."""
        return self._record.board

    @property
    def evidence(self) -> str:
        """How it was measured: loop-back (source only), inside (board only), joined (both) or imported."""
        return self._record.evidence

    @property
    def virtual(self) -> bool:
        """True where software wires or a virtual board took part."""
        return self._record.virtual

    @property
    def state(self) -> str:
        """ "complete", "incomplete", or "running" for one that was cut off or still is measured."""
        return self._record.state

    @property
    def deadline_ns(self) -> int | None:
        """The latest answer of use, in nanoseconds; None without one."""
        return self._record.deadline_ns

    @property
    def counts(self) -> dict[str, int]:
        """Stimuli, responses, missed, spurious, coalesced, late, ambiguous and more.

        Raises:
            DataError: the run was cut off and a part is damaged.
        """
        return dict(self._record.counts or self._found.counts)

    @property
    def summary(self) -> dict[str, Any]:
        """The summary as every `--json` has it: counts, and min, quantiles, max, mean, spread and intervals.

        Times are integer nanoseconds but for means and deviations; a quantile that the answers cannot support is None,
        and `needed` says how many it takes.

        Raises:
            DataError: the run was cut off and a part is damaged.
        """
        if self._record.summary:
            return dict(self._record.summary)
        summary: dict[str, Any] = self._found.summary(self.virtual)
        return summary | {"context": self._record.context}

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready, the document that `edgereply measure --json` prints."""
        # What was lost on the way stands beside the figures, also where there are none.
        lost = {name: self._record.counts.get(name, 0) for name in _LOST}
        return {"run": self.name, "state": self.state, **self.summary, **lost, "warnings": self._record.warnings}

    def answers(self) -> Answers:
        """Stimuli paired with their answers, a row a stimulus; see `Answers` for columns, types and units.

        Pairing holds the run in memory, 0.5 kB a stimulus.

        Raises:
            DataError: a part is missing, truncated or altered.
            HostError: more memory is needed than is free.
        """
        from edgereply.api.answers import read_answers

        return read_answers(self.path)

    def verdict(
        self, deadline: str | int | None = None, exceed: str | float | None = None, *, confidence: float = 0.95,
        together: int | None = None, tail: bool = False,
    ) -> DeadlineVerdict:  # fmt: skip
        """Judge a deadline; the verdict is true where it passes.

        Args:
            deadline: such as "2ms", or nanoseconds; the run's own when None. A later answer is late, as is none.
            exceed: tolerated share of late answers, such as 1e-5 or "1%"; when None the rule is: no late answer in at
                least 299.
            confidence: of every bound, strictly within 0 to 1.
            together: late answers that one disturbance may make; as the run shows when None.
            tail: fit a model to the slow end too; it extrapolates.

        Raises:
            SettingError: there is no deadline, or a value is none or out of range.
            DataError: the run is damaged or without stimuli.
        """
        from edgereply.api.judging import judge

        return judge(
            self.path, self.name, duration_value(deadline, "deadline"), share_value(exceed, "exceed"), confidence,
            together, tail,
        )  # fmt: skip

    def explain(self, late_above: str | int | None = None) -> LateExplanation:
        """Look for what late answers have in common, and say what all answers are like.

        Args:
            late_above: what counts as late, such as "1ms", or nanoseconds; chosen from the data when None.

        Raises:
            SettingError: not a time.
            DataError: a part is missing, truncated or altered.
        """
        from edgereply.api.explaining import explain

        return explain(self.path, self.name, duration_value(late_above, "late_above"))

    def figure(self, kind: str = "distribution") -> Picture:
        """A figure of the page.

        Args:
            kind: boards, distribution, persistence, over-time, segments, tail, quantiles, rates or fold.

        Raises:
            SettingError: there is none of that name, or this run cannot fill it.
            DataError: a part is missing, truncated or altered.
        """
        from edgereply.api.pictures import draw_figure

        return draw_figure(kind, self._material.views)

    def _repr_html_(self) -> str:
        from edgereply.api.notebook import first_sight

        answered = bool(self._material.views[0].answers().size)
        return first_sight(self._material.views, None, self.figure() if answered else None)

    @cached_property
    def _found(self) -> Any:
        from edgereply.evaluation.load_view import summed_up

        return summed_up(RunReader(self.path), self.deadline_ns)

    @cached_property
    def _material(self) -> Material:
        from edgereply.report.material import load_material

        return load_material([self.path], None, lambda line: None)


def open_run(path_or_bundle: str | Path, run: str = "") -> SavedRun:
    """Open a finished run.

    Args:
        path_or_bundle: a run directory, or a bundle, which is checked against its own raw stamps and unpacked into a
            temporary directory that goes with the run.
        run: which one, of a bundle of several.

    Returns:
        The run; usable in a `with` statement.

    Raises:
        DataError: not a run, damaged, of a newer format, or a bundle that is not what it says.
        SettingError: a series, or a bundle of several runs and none of them named.
        StoreError: no room to unpack.
    """
    path = Path(path_or_bundle)
    if not path.is_file():
        if (path / "series.json").is_file() and not (path / "run.json").is_file():
            raise SettingError("this is a series, and one run is wanted", where=str(path), remedy="use open_series")
        return SavedRun(path)
    from edgereply.exchange.bundle.opened import opened

    with ExitStack() as stack:
        given = stack.enter_context(opened([path], lambda line: None))
        runs = {place.name: place for found in given.paths for place in [found, *_blocks(found)]
                if (place / "run.json").is_file()}  # fmt: skip
        if run not in runs and (run or len(runs) != 1):
            what = f"no run {run!r} in the bundle" if run else "the bundle holds several runs"
            raise SettingError(what, where=str(path), remedy=f"name one of: {', '.join(runs)}")
        place = runs[run] if run else next(iter(runs.values()))
        return SavedRun(place, given.named(str(place)), stack.pop_all())


def _blocks(directory: Path) -> list[Path]:
    return sorted(found.parent for found in directory.glob("*/run.json"))
