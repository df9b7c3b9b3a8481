"""`edgereply verdict`: does the board keep its deadline."""

from pathlib import Path
from typing import Annotated

import typer

from edgereply.cli.common import DetailsOption, JsonOption, leave, put_json
from edgereply.errors import SAYS_NO

NO_CERTIFICATE = "This is evidence for a design, not a safety certification."


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
    from edgereply.cli.arguments import expect_run
    from edgereply.cli.option_values import duration_option, share_option
    from edgereply.errors import SettingError
    from edgereply.evaluation.by_pieces import evaluate_by_pieces, goes_by_pieces, words
    from edgereply.evaluation.headline import headline, summary_headline
    from edgereply.evaluation.load_view import evaluate_run, make_view
    from edgereply.evaluation.phase_lock import first_stimuli, limiting_lock
    from edgereply.evaluation.verdict import judge_pieces, judge_run
    from edgereply.evaluation.verdict_sentences import sentences
    from edgereply.storage.run_reader import RunReader
    from edgereply.storage.run_record import graded

    expect_run(run)
    tolerated = share_option(exceed, "--exceed")
    reader = RunReader(run)
    record, virtual = reader.record, reader.record.virtual
    deadline_ns = record.deadline_ns if deadline is None else duration_option(deadline, "--deadline")
    if deadline_ns is None:
        raise SettingError("there is no deadline to judge", where=str(run), remedy="give one with --deadline 2ms")
    if goes_by_pieces(reader, by_pieces):
        if tail:
            raise SettingError(
                "a tail model takes all answers at once", where="--tail", remedy="leave it out, or add --whole"
            )
        found = evaluate_by_pieces(reader, deadline_ns)
        lock = limiting_lock(first_stimuli(reader.source_parts()))
        judgement, evidence = judge_pieces(found, confidence, tolerated, together, lock), found.evidence
        summary = found.summary(virtual)
        summed = {"by_pieces": summary["by_pieces"], "summary": summary}
        said, view = sentences(judgement), None
        more = [*words(summary), *found.notes]
        top = summary_headline(
            summary, name=str(run), grade=graded(evidence, virtual), deadline_ns=deadline_ns, said=said,
            outcome=judgement.outcome,
        )  # fmt: skip
    else:
        result = evaluate_run(reader, deadline_ns)
        judgement, evidence = judge_run(result, deadline_ns, confidence, tolerated, tail, together), result.evidence
        view = make_view(record, result, deadline_ns, str(run))
        said, top = sentences(judgement), headline(view, judgement)
        summed, more = {}, []
    if as_json:
        put_json({"run": str(run), "evidence": evidence, "virtual": virtual, **judgement.as_dict(), **summed})
    else:
        from edgereply.cli.on_terminal import print_sentences

        steps = [f"edgereply explain {run}"] if judgement.outcome == "fail" else []
        print_sentences(run, top, [*said[1:], *more], NO_CERTIFICATE, steps, view, details)
    if judgement.outcome != "pass":
        leave(SAYS_NO)
