"""A finished series: its conditions, runs and comparison."""

from __future__ import annotations

from contextlib import ExitStack
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from edgereply.api.runs import SavedRun
from edgereply.api.saved import Saved
from edgereply.errors import SettingError
from edgereply.exchange.export.batches import run_directories
from edgereply.storage.series_record import load_series

if TYPE_CHECKING:
    from edgereply.api.comparing import RunComparison
    from edgereply.api.pictures import Picture


class SavedSeries(Saved):
    """A series on the disk, made by `open_series` or `sweep`. A notebook shows its conditions beside each other.

    Attributes:
        path: the series' directory.
        name: what it was opened by.
    """

    def __init__(self, path: Path, name: str = "", kept: ExitStack | None = None) -> None:
        """Read the record of a series.

        Args:
            path: the series' directory.
            name: what people call it; its path when "".
            kept: closed with the series, such as a place where a bundle was unpacked.

        Raises:
            DataError: not a series, damaged, or of a newer format.
        """
        super().__init__(path, name, kept)
        self._record = load_series(path)

    def __repr__(self) -> str:
        done = sum(block.state == "complete" for block in self._record.blocks)
        return (
            f"<series {self.name}: {len(self.conditions)} conditions, {done} of {len(self._record.blocks)} blocks "
            "complete>"
        )

    @property
    def record(self) -> dict[str, Any]:
        """Contents of `series.json`."""
        return self._record.model_dump(mode="json")

    @property
    def conditions(self) -> dict[str, dict[str, str]]:
        """What was varied: name of the condition → its settings in words."""
        return self._record.conditions

    @property
    def runs(self) -> tuple[SavedRun, ...]:
        """The measured blocks, in the order in which they were measured.

        Raises:
            DataError: one of them is damaged.
        """
        named = [(run, str(run).replace(str(self.path), self.name, 1)) for run in run_directories([self.path])]
        return tuple(SavedRun(run, name, owner=self) for run, name in named)

    def compare(self, deadline: str | int | None = None, matters: str = "5%") -> RunComparison:
        """The conditions beside each other, each with all its complete blocks; arguments and errors as of `compare`."""
        from edgereply.api.comparing import compare

        return compare(self, deadline=deadline, matters=matters)

    def figure(self, kind: str = "boards") -> Picture:
        """A figure of all conditions.

        Args:
            kind: boards, distribution, persistence, over-time, segments, tail, quantiles, rates or fold.

        Raises:
            SettingError: there is none of that name, or these runs cannot fill it.
            DataError: no block is complete, or one is damaged.
        """
        return self._compared.figure(kind)

    def _repr_html_(self) -> str:
        return self._compared._repr_html_()

    @cached_property
    def _compared(self) -> RunComparison:
        return self.compare()


def open_series(path_or_bundle: str | Path) -> SavedSeries:
    """Open a finished series.

    Args:
        path_or_bundle: a series directory, or a bundle of one, which is checked against its own raw stamps and unpacked
            into a temporary directory that goes with the series.

    Raises:
        DataError: not a series, damaged, of a newer format, or a bundle that is not what it says.
        SettingError: the bundle holds no series.
        StoreError: no room to unpack.
    """
    path = Path(path_or_bundle)
    if not path.is_file():
        return SavedSeries(path)
    from edgereply.exchange.bundle.opened import opened

    with ExitStack() as stack:
        given = stack.enter_context(opened([path], lambda line: None))
        if not (given.paths and (given.paths[0] / "series.json").is_file()):
            raise SettingError("the bundle holds no series", where=str(path), remedy="use open_run")
        return SavedSeries(given.paths[0], given.named(str(given.paths[0])), stack.pop_all())
