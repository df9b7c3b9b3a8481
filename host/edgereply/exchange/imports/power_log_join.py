"""A USB meter's log joined to finished runs: their record then has the power during each of them."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from edgereply.config.power import Accuracy, parse_accuracy
from edgereply.errors import SettingError
from edgereply.evaluation.board_context import Context
from edgereply.exchange.imports.power_log import PowerLog, read_power_log
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_writer import replace_record
from edgereply.storage.series_record import SeriesRecord


def parse_log_options(words: Sequence[str], boards: Sequence[str]) -> dict[str, Path]:
    """Read "FILE.csv" or "BOARD=FILE.csv", several boards by several options.

    Args:
        words: as they were typed.
        boards: that are measured.

    Returns:
        File by board.

    Raises:
        SettingError: an unknown board, a board twice, or no board named where there are several.
    """
    found: dict[str, Path] = {}
    for word in words:
        name, equals, file = word.partition("=")
        if not equals or (name not in boards and Path(word).exists()):
            name, file = "", word
        if not name and len(boards) > 1:
            raise SettingError(
                "several boards are measured and one log has the power of one",
                where=f"--power-log {word}", remedy=f"write BOARD=FILE, with one of {', '.join(boards)}",
            )  # fmt: skip
        name = name or boards[0]
        if name not in boards or name in found:
            why = "has two logs" if name in found else "is not measured"
            raise SettingError(
                f"the board {name!r} {why}", where=f"--power-log {word}", remedy=f"boards: {', '.join(boards)}"
            )
        found[name] = Path(file)
    return found


def parse_accuracy_option(text: str | None) -> Accuracy | None:
    """Read --power-accuracy.

    Raises:
        SettingError: it is none.
    """
    try:
        return None if text is None else parse_accuracy(text)
    except ValueError as error:
        raise SettingError(str(error), where="--power-accuracy", remedy="see the meter's data sheet") from error


def join_log(run: Path, log: PowerLog, accuracy: Accuracy | None) -> None:
    """Put the power of a log into a run's record, in place of any other.

    Raises:
        DataError: not a run.
        SettingError: the log has nothing of the run.
        StoreError: the record cannot be written.
    """
    record = RunReader(run).record
    context = with_power_log(record.context, log, accuracy)
    changed = {"context": context, "summary": record.summary | {"context": context}}
    replace_record(run, record.model_copy(update=changed))


def join_series(directory: Path, record: SeriesRecord, logs: Mapping[str, Path], accuracy: Accuracy | None) -> None:
    """The same for every complete block of a series on the boards that have a log.

    Raises:
        SettingError: a log cannot be read, has no calendar, or nothing of a block.
    """
    for board, file in logs.items():
        log = read_power_log(file)
        if not log.calendar:
            raise SettingError(
                "the log's times begin at nought: which block they belong to cannot be told",
                where=str(file), remedy="export the log with date and time",
            )  # fmt: skip
        for block in record.blocks:
            run = directory / block.run
            if block.state == "complete" and RunReader(run).record.board == board:
                join_log(run, log, accuracy)


def with_power_log(context: Context, log: PowerLog, accuracy: Accuracy | None) -> Context:
    """The same with its power taken from a meter's log.

    Raises:
        SettingError: the log has nothing of the run.
    """
    part = log.between(context.get("began_ns", 0) / 1e9, context.get("ended_ns", 0) / 1e9)
    mean_uw = round(part.mean_w() * 1e6)
    values = [round(watts * 1e6) for watts in (part.power_w.min(), part.power_w.max())]
    power = {"from": "log", "sensor": log.name, "mean_uw": mean_uw, "min_uw": values[0], "max_uw": values[1]}
    power |= {"accuracy_uw": None if accuracy is None else accuracy.of(mean_uw), "readings": len(part.at_s)}
    return context | {"power": power | {"whole_log": not log.calendar}}
