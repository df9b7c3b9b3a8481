"""`edgereply export`: runs as files for other programs."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from edgereply.cli.common import JsonOption, put_json, say

if TYPE_CHECKING:
    from edgereply.exchange.export.export_runs import FormatName


class Format(StrEnum):
    """File formats."""

    parquet = "parquet"
    csv = "csv"
    numpy = "numpy"
    vcd = "vcd"
    dataset = "dataset"


class What(StrEnum):
    """Rows."""

    pairs = "pairs"
    raw = "raw"


EXAMPLES = ("edgereply export runs/first --to csv",)


def command(
    runs: Annotated[
        list[Path],
        typer.Argument(
            help="Run or series directories; all of them become one table. For a data set also directories that hold "
            "some.",
            metavar="RUN",
        ),
    ],
    to: Annotated[
        Format,
        typer.Option("--to", help="Format; vcd draws the raw edges of one run, dataset is a directory that grows."),
    ],
    output: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--output",
            help="A new file; default edgereply-WHAT with the format's ending. A data set's directory, new or not; "
            "default edgereply-data-set.",
            metavar="FILE",
        ),
    ] = None,
    what: Annotated[
        What, typer.Option("--what", help="pairs: a row each stimulus with its answer; raw: the rows as written.")
    ] = What.pairs,
    as_json: JsonOption = False,
) -> None:
    """Write runs as Parquet, CSV, NumPy or VCD, or add them to a data set. Times are integer nanoseconds.

    Nothing is overwritten.
    """
    if to is Format.dataset:
        _data_set(runs, output or Path("edgereply-data-set"), what, as_json)
    else:
        _file(runs, to, output, what, as_json)


def _file(runs: list[Path], to: Format, output: Path | None, what: What, as_json: bool) -> None:
    from edgereply.cli.arguments import expect_runs
    from edgereply.cli.progress import ProgressLines
    from edgereply.exchange.export.batches import expected_rows, run_directories
    from edgereply.exchange.export.export_runs import SUFFIX, export

    expect_runs(runs)
    form = cast("FormatName", to.value)
    target = output or Path(f"edgereply-{what.value}{SUFFIX[form]}")
    total = sum(expected_rows(run, what.value) for run in run_directories(runs))
    say(f"{'pairing' if what is What.pairs else 'reading'} about {total:,} rows of stamps")
    done = export(runs, form, what.value, target, ProgressLines(total, "rows"))
    document = done.as_dict()
    if as_json:
        put_json(document)
    for run in done.runs:
        if run["state"] != "complete":
            say(f"{run['run']} is not complete: what was measured of it is in the file")
    virtual = "VIRTUAL: " if any(run["virtual"] for run in done.runs) else ""
    unit = "edges" if to is Format.vcd else "rows"
    runs_told = f"{len(done.runs)} run{'s' if len(done.runs) > 1 else ''}"
    say(f"{virtual}{document['rows']:,} {unit} of {runs_told} written to {target}")


def _data_set(paths: list[Path], directory: Path, what: What, as_json: bool) -> None:
    from edgereply.cli.progress import ProgressLines
    from edgereply.errors import SettingError
    from edgereply.exchange.export.data_set import export_data_set, runs_below

    if what is not What.pairs:
        raise SettingError("a data set holds paired answers", where="--what", remedy="leave it out")
    runs = runs_below(paths)
    done = export_data_set(runs, directory, ProgressLines(len(runs), "runs"))
    if as_json:
        put_json(done.as_dict())
    for run in done.changed:
        say(f"{run} has changed since it was added: the data set has it as it was")
    for run in done.incomplete:
        say(f"{run} is not complete: what was measured of it is in the data set")
    virtual = "VIRTUAL: " if done.virtual else ""
    there = f"; {done.there:,} were there already" if done.there else ""
    say(f"{virtual}{done.rows:,} rows of {len(done.added):,} new runs added to {directory}{there}")
