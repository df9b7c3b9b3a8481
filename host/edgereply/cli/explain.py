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
    from edgereply.explaining import as_dict, context_sentences, explain_pulses, explain_run, relate_context, sentences
    from edgereply.store import RunReader
    from edgereply.views import cautions, evaluate_run

    reader = RunReader(run)
    record = reader.record
    result = evaluate_run(reader, record.deadline_ns)
    late_above_ns = None if late_above is None else duration_option(late_above, "--late-above")
    explanation, pulses = explain_run(result, late_above_ns), explain_pulses(result)
    context = relate_context(result, explanation.late_above_ns, reader.context())
    careful = cautions(record, result.counts.get("ambiguous", 0))
    if as_json:
        put_json(
            {
                "run": str(run),
                "evidence": result.evidence,
                "virtual": record.virtual,
                **as_dict(explanation, pulses, context),
                "cautions": careful,
            }
        )
        return
    print(f"{run} ({'virtual, ' if record.virtual else ''}{result.evidence})")
    for sentence in sentences(explanation, pulses):
        print(sentence)
    for sentence in context_sentences(context):
        print(sentence)
    for caution in careful:
        print(f"caution: {caution}")
