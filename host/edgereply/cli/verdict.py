"""`edgereply verdict`: does the board keep its deadline."""

from pathlib import Path
from typing import Annotated

import typer

from edgereply.cli.common import SAYS_NO, JsonOption, leave, put_json

NAME = "verdict"


def command(
    run: Annotated[Path, typer.Argument(help="A run directory.")],
    deadline: Annotated[str | None, typer.Option(help="Such as 2ms; the run's own when not given.")] = None,
    confidence: Annotated[float, typer.Option(help="Of every bound, and of a pass or fail.")] = 0.95,
    exceed: Annotated[
        float | None, typer.Option(help="Tolerated share of late answers, such as 1e-5; none if not given.")
    ] = None,
    tail: Annotated[bool, typer.Option("--tail", help="Fit a model to the slow end too; it extrapolates.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Judge a deadline: pass, fail, or not enough data and how much more it takes. Exit code 1 unless it passes."""
    from edgereply.cli.duration_option import duration_option
    from edgereply.errors import SettingError
    from edgereply.judging import judge_run, sentences
    from edgereply.store import RunReader
    from edgereply.views import evaluate_run

    reader = RunReader(run)
    record = reader.record
    deadline_ns = record.deadline_ns if deadline is None else duration_option(deadline, "--deadline")
    if deadline_ns is None:
        raise SettingError("there is no deadline to judge", where=str(run), remedy="give one with --deadline 2ms")
    result = evaluate_run(reader, deadline_ns)
    judgement = judge_run(result, deadline_ns, confidence, exceed, tail)
    grade = f"{'virtual, ' if record.virtual else ''}{result.evidence}"
    if as_json:
        put_json({"run": str(run), "evidence": result.evidence, "virtual": record.virtual, **judgement.as_dict()})
    else:
        print(f"{run} ({grade})")
        for sentence in sentences(judgement):
            print(sentence)
        print("This is evidence for a design, not a safety certification.")
    if judgement.outcome != "pass":
        leave(SAYS_NO)
