"""`edgereply explain`: why answers were late."""

from pathlib import Path
from typing import Annotated

import typer

from edgereply.cli.common import JsonOption, put_json

NAME = "explain"


def command(
    run: Annotated[Path, typer.Argument(help="A run directory.")],
    late_above: Annotated[
        str | None, typer.Option(help="What counts as late, such as 1ms; chosen from the data if not given.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Look for what late answers have in common: a period, a burst, a segment. "No cause found" is an answer."""
    from edgereply.cli.duration_option import duration_option
    from edgereply.evaluate import evaluate
    from edgereply.explaining import as_dict, explain_pulses, explain_run, sentences
    from edgereply.store import RunReader

    reader = RunReader(run)
    record = reader.record
    result = evaluate(reader.source(), reader.board(), record.window_ns, record.deadline_ns)
    late_above_ns = None if late_above is None else duration_option(late_above, "--late-above")
    explanation, pulses = explain_run(result, late_above_ns), explain_pulses(result)
    if as_json:
        put_json(
            {"run": str(run), "evidence": result.evidence, "virtual": record.virtual, **as_dict(explanation, pulses)}
        )
        return
    print(f"{run} ({'virtual, ' if record.virtual else ''}{result.evidence})")
    for sentence in sentences(explanation, pulses):
        print(sentence)
