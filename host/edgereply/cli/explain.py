"""`edgereply explain`: why answers were late."""

from pathlib import Path
from typing import Annotated

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
    from dataclasses import replace

    from edgereply.cli.arguments import expect_run
    from edgereply.cli.option_values import duration_option
    from edgereply.evaluation.cautions import cautions
    from edgereply.evaluation.characteristics import as_dict as traits_dict
    from edgereply.evaluation.characteristics import characterise
    from edgereply.evaluation.description import describe
    from edgereply.evaluation.explanation import (
        as_dict,
        began,
        context_sentences,
        explain_run,
        limit_words,
        relate_context,
        sentences,
    )
    from edgereply.evaluation.headline import headline
    from edgereply.evaluation.load_view import evaluate_run, make_view
    from edgereply.storage.run_reader import RunReader

    expect_run(run)
    reader = RunReader(run)
    record = reader.record
    result = evaluate_run(reader, record.deadline_ns)
    late_above_ns = None if late_above is None else duration_option(late_above, "--late-above")
    explanation, found = explain_run(result, late_above_ns), characterise(result, one_run=True)
    context = relate_context(result, explanation.late_above_ns, reader.context())
    limit = limit_words(explanation, result, record.deadline_ns, chosen=late_above_ns is None)
    late = sentences(explanation, limit, began(result)) + context_sentences(context)
    whole = describe(found)
    careful = cautions(record, result.counts)
    if as_json:
        put_json(
            {
                "run": str(run),
                "evidence": result.evidence,
                "virtual": record.virtual,
                **as_dict(explanation, context),
                **traits_dict(found),
                "sentences": {"late": late, "all": whole},
                "cautions": careful,
            }
        )
        return
    from edgereply.cli.on_terminal import print_sentences

    view = make_view(record, result, record.deadline_ns, str(run))
    top = replace(headline(view), answer=late[0])
    # What all answers are like comes after what the late ones have in common, but for its first sentence.
    said = [*late[1:], f"All answers: {whole[0][:1].lower()}{whole[0][1:]}", *whole[1:]] if whole else late[1:]
    print_sentences(run, top, said, "", [f"edgereply report {run} -o report.html"], view, details, picture=False)
