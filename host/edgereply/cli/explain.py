"""`edgereply explain`: why answers were late."""

from pathlib import Path
from typing import Annotated, Any

import typer

from edgereply.cli.common import DetailsOption, JsonOption, put_json

EXAMPLES = ("edgereply explain runs/first",)


def command(
    run: Annotated[Path, typer.Argument(help="A run directory.", metavar="RUN")],
    late_above: Annotated[
        str | None,
        typer.Option(help="What counts as late, such as 1ms; chosen from the data if not given.", metavar="TIME"),
    ] = None,
    details: DetailsOption = False,
    as_json: JsonOption = False,
) -> None:
    """Say why answers were late, and what all answers are like. "No cause found" and "not enough data" are answers.

    Late answers: a period, a burst, a segment, the board's counters. All answers: peaks, warm-up, drift,
    jitter of the rising edges, long pulses.
    """
    from edgereply.api.explaining import explain
    from edgereply.api.option_values import duration_option
    from edgereply.cli.arguments import expect_run

    expect_run(run)
    found = explain(run, str(run), None if late_above is None else duration_option(late_above, "--late-above"))
    if as_json:
        put_json(found.as_dict())
        return
    _show(run, found, details)


def _show(run: Path, found: Any, details: bool) -> None:
    from dataclasses import replace

    from edgereply.cli.on_terminal import print_sentences
    from edgereply.evaluation.headline import headline
    from edgereply.evaluation.load_view import make_view
    from edgereply.storage.run_reader import RunReader

    record = RunReader(run).record
    view = make_view(record, found.result, record.deadline_ns, str(run), brief=not details)
    top = replace(headline(view), answer=found.late[0])
    steps = [f"edgereply report {run} -o report.html"]
    print_sentences(run, top, list(found.sentences[1:]), "", steps, view, details, picture=False)
