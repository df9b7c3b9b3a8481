"""`edgereply verdict`: does the board keep its deadline."""

from pathlib import Path
from typing import Annotated, Any

import typer

from edgereply.cli.common import DetailsOption, JsonOption, leave, put_json
from edgereply.errors import SAYS_NO

NO_CERTIFICATE = "This is evidence for a design, not a safety certification."

EXAMPLES = ("edgereply verdict runs/first --deadline 2ms --exceed 0.001",)


def command(
    run: Annotated[Path, typer.Argument(help="A run directory.", metavar="RUN")],
    deadline: Annotated[
        str | None, typer.Option(help="Such as 2ms; the run's own when not given.", metavar="TIME")
    ] = None,
    confidence: Annotated[
        float, typer.Option(help="Of every bound, and of a pass or fail.", metavar="CONFIDENCE")
    ] = 0.95,
    exceed: Annotated[
        str | None,
        typer.Option(
            help="Tolerated share of late answers, such as 1e-5 or 1%. If not given, the rule is: no late answer in at "
            "least 299, which rules out more than 1 in 100.",
            metavar="SHARE",
        ),
    ] = None,
    together: Annotated[
        int | None,
        typer.Option(
            help="Late answers that one disturbance may make; if not given, twice as many as came together in the run, "
            "or 1 where they came alone or none did.",
            metavar="N",
        ),
    ] = None,
    tail: Annotated[bool, typer.Option("--tail", help="Fit a model to the slow end too; it extrapolates.")] = False,
    by_pieces: Annotated[
        bool | None,
        typer.Option(
            "--by-pieces/--whole",
            help="Little memory and approximate quantiles, or all at once; by the run's length if not given.",
        ),
    ] = None,
    details: DetailsOption = False,
    as_json: JsonOption = False,
) -> None:
    """Judge a deadline: pass, fail, or not enough data and how much more it takes. Exit code 1 unless it passes.

    A pass says for how large groups of late answers it holds: a run cannot show what did not happen in it.
    """
    from edgereply.api.judging import judge
    from edgereply.api.option_values import duration_option, share_option
    from edgereply.cli.arguments import expect_run

    expect_run(run)
    tolerated = share_option(exceed, "--exceed")
    deadline_ns = None if deadline is None else duration_option(deadline, "--deadline")
    found = judge(run, str(run), deadline_ns, tolerated, confidence, together, tail, by_pieces)
    if as_json:
        put_json(found.as_dict())
    else:
        _show(run, found, details)
    if not found:
        leave(SAYS_NO)


def _show(run: Path, found: Any, details: bool) -> None:
    from edgereply.cli.on_terminal import print_sentences
    from edgereply.evaluation.by_pieces import words
    from edgereply.evaluation.headline import headline, summary_headline
    from edgereply.evaluation.load_view import make_view
    from edgereply.storage.run_reader import RunReader
    from edgereply.storage.run_record import graded

    deadline_ns, said, view, more = found.judgement.verdict.deadline_ns, list(found.sentences), None, []
    if found.pieces is not None:
        summary = found.pieces.summary(found.virtual)
        more = [*words(summary), *found.pieces.notes]
        top = summary_headline(
            summary, name=str(run), grade=graded(found.evidence, found.virtual), deadline_ns=deadline_ns, said=said,
            outcome=found.outcome,
        )  # fmt: skip
    else:
        view = make_view(RunReader(run).record, found.result, deadline_ns, str(run), brief=not details)
        top = headline(view, found.judgement)
    steps = [f"edgereply explain {run}"] if found.outcome == "fail" else []
    # How many were late or missed stands in the headline; the sentence that counts them is for --details.
    print_sentences(run, top, [*said[1 if details else 2 :], *more], NO_CERTIFICATE, steps, view, details)
