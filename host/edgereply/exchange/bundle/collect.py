"""What of run and series directories goes into a bundle."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from edgereply.errors import DataError, SettingError
from edgereply.exchange.bundle.manifest import ALLOWED, RUN_NAME, SERIES
from edgereply.exchange.bundle.redact import Redactor
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import RunRecord
from edgereply.storage.series_record import SeriesRecord, load_series


@dataclass(frozen=True, slots=True)
class Chosen:
    """Runs by their names in the archive; a series where one was given; files that stay behind."""

    runs: dict[str, RunReader]
    series: SeriesRecord | None
    left_out: tuple[Path, ...]


def collect(paths: Sequence[Path], redactor: Redactor) -> Chosen:
    """Read the records and learn the names in them.

    Args:
        paths: run directories, or one series directory (every run in it goes in, warm-ups and failed tries too).
        redactor: learns; names of directories are redacted by it.

    Raises:
        DataError: neither runs nor a series, or damaged.
        SettingError: a series beside others.
    """
    series = None
    directories = list(paths)
    if any((path / "series.json").is_file() for path in paths):
        if len(paths) > 1:
            raise SettingError("a series goes into a bundle of its own", where=str(paths[0]), remedy="bundle it alone")
        series = load_series(paths[0])
        directories = sorted(path.parent for path in paths[0].glob("*/run.json"))
    if not directories:
        raise DataError("no measured run in there", where=str(paths[0]), remedy="give directories of runs")
    readers = [RunReader(directory) for directory in directories]
    for reader in readers:
        redactor.learn(reader.record.model_dump(mode="json"))
    if series is not None:
        redactor.learn(series.model_dump(mode="json"))
    runs: dict[str, RunReader] = {}
    for reader in readers:
        runs[_name(reader, redactor, runs, fixed=series is not None)] = reader
    left = [path for name, reader in runs.items() for path in _others(name, reader)]
    if series is not None:
        left += [path for path in paths[0].iterdir() if path.is_file() and path.name != Path(SERIES).name]
    return Chosen(dict(sorted(runs.items())), series, tuple(sorted(left)))


def redacted_record(record: RunRecord, redactor: Redactor, where: Path) -> RunRecord:
    """The record without names.

    Raises:
        SettingError: a name was part of what the record cannot do without.
    """
    try:
        return RunRecord.model_validate(redactor.document(record.model_dump(mode="json")))
    except ValueError as error:
        raise SettingError(
            "a name taken out broke the record", where=str(where / "run.json"), remedy="leave it in with --keep"
        ) from error


def _name(reader: RunReader, redactor: Redactor, taken: dict[str, RunReader], fixed: bool) -> str:
    name = redactor.text(reader.directory.resolve().name)
    if not RUN_NAME.fullmatch(name) or name in taken or name == "series.json":
        if fixed:
            raise DataError(
                "a run of a series has a name that cannot go into a bundle",
                where=str(reader.directory),
                remedy="bundle the runs one by one",
            )
        name = f"run-{len(taken) + 1:03}"
        while name in taken:
            name += "-more"
    return name


def _others(name: str, reader: RunReader) -> list[Path]:
    return [
        path
        for path in reader.directory.rglob("*")
        if (path.is_symlink() or not path.is_dir())
        and (path.is_symlink() or not ALLOWED.fullmatch(f"runs/{name}/{path.relative_to(reader.directory).as_posix()}"))
    ]
