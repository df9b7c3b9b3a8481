"""`edgereply compare`: conditions in interleaved blocks, finished runs beside each other or a baseline."""

from pathlib import Path
from typing import Annotated, Any

import typer

from edgereply.cli.common import (
    WAITS,
    BenchOption,
    BoardOption,
    DetailsOption,
    JsonOption,
    TrustOption,
    choices,
    leave,
    put_json,
    say,
)
from edgereply.errors import INTERRUPTED, SAYS_NO
from edgereply_protocol import ROUTES

EXAMPLES = ("edgereply compare runs/first runs/spin", "edgereply compare --routes chardev,gpiod")


def command(
    runs: Annotated[
        list[Path] | None,
        typer.Argument(help="Finished run or series directories or bundles, any number.", metavar="RUN"),
    ] = None,
    routes: Annotated[str, typer.Option(help="Routes to measure and compare.", **choices(ROUTES, several=True))] = "",
    waits: Annotated[
        str, typer.Option(help="Wait strategies to measure and compare.", **choices(WAITS, several=True))
    ] = "",
    responders: Annotated[
        str, typer.Option(help="Responders to measure and compare.", **choices(("agent", "floor"), several=True))
    ] = "",
    rounds: Annotated[
        int, typer.Option(min=1, max=1000, help="Rounds; 6 is the least that gives intervals.", metavar="N")
    ] = 8,
    count: Annotated[int | None, typer.Option(help="Stimuli a block.", metavar="N")] = None,
    rate: Annotated[str | None, typer.Option(help="Mean rate of the stimuli, such as 200/s.", metavar="RATE")] = None,
    order_seed: Annotated[int, typer.Option(help="Seed of the order of the blocks.", metavar="N")] = 1,
    bench: BenchOption = Path("bench.toml"),
    board: BoardOption = "",
    out: Annotated[Path | None, typer.Option(help="Series directory to make.", metavar="DIRECTORY")] = None,
    no_wiring: Annotated[bool, typer.Option("--no-wiring", help="Do not prove the wires first.")] = False,
    baseline: Annotated[
        Path | None, typer.Option(help="Run or one-condition series that RUN is checked by.", metavar="RUN")
    ] = None,
    fail_if: Annotated[
        list[str] | None,
        typer.Option(help="Leave with 1 when worse than the baseline, such as 'p99.9 +10%'.", metavar="RULE"),
    ] = None,
    confidence: Annotated[
        float, typer.Option(help="1 - the chance that a --fail-if fails for nothing.", metavar="CONFIDENCE")
    ] = 0.95,
    deadline: Annotated[
        str | None, typer.Option(help="Judge finished runs by this, such as 2ms.", metavar="TIME")
    ] = None,
    matters: Annotated[
        str, typer.Option(help="The smallest difference that counts; 0% counts any.", metavar="SHARE")
    ] = "5%",
    details: DetailsOption = False,
    trust: TrustOption = False,
    as_json: JsonOption = False,
) -> None:
    """Compare: measure routes, waits or responders in interleaved blocks; or finished runs, also with a baseline."""
    from edgereply.api.option_values import margin_option
    from edgereply.cli.arguments import expect_runs
    from edgereply.errors import SettingError

    axes = {"routes": _names(routes), "waits": _names(waits), "responders": _names(responders)}
    if runs and any(axes.values()):
        raise SettingError("give run directories, or --routes, --waits and --responders, not both", where="compare")
    if (baseline is None) != (not fail_if) or (baseline is not None and not runs):
        raise SettingError(
            "a check takes a baseline, a rule and a run",
            where="compare",
            remedy="write: compare --baseline BASE RUN --fail-if 'p99.9 +10%'",
        )
    expect_runs(runs or [])
    counts = margin_option(matters, "--matters")
    if runs and baseline is not None:
        _check(baseline, runs, fail_if or [], confidence, as_json)
    elif runs:
        _beside(runs, deadline, counts, details, as_json)
    elif any(axes.values()):
        _measure(
            axes, rounds, {"count": count, "rate": rate}, order_seed, bench, board, out, not no_wiring, counts,
            details, as_json,
        )  # fmt: skip
    else:
        raise SettingError(
            "nothing to compare", where="compare", remedy="name run directories, or --routes chardev,gpiod,sysfs"
        )


def _beside(runs: list[Path], deadline: str | None, matters: float, details: bool, as_json: bool) -> None:
    from edgereply.exchange.bundle.opened import opened
    from edgereply.system.workers import workers

    with opened(runs, say) as given:
        many = sum(len(list(run.glob("*/run.json"))) or 1 for run in given.paths)
        if many > 10:
            say(f"evaluating {many} runs")
        # Workers import what they need while this process does.
        with workers(many) as each:
            from edgereply.api.comparing import compare_finished
            from edgereply.api.option_values import duration_option
            from edgereply.cli.compare_runs import print_comparison

            deadline_ns = None if deadline is None else duration_option(deadline, "--deadline")
            comparison = compare_finished(given.paths, deadline_ns, each, matters, given.named)
    if as_json:
        put_json(comparison.as_dict())
    else:
        print_comparison(comparison, runs, details)


def _check(baseline: Path, runs: list[Path], fail_if: list[str], confidence: float, as_json: bool) -> None:
    from edgereply.cli.compare_runs import check_finished, print_checks

    base, checks, differences = check_finished(baseline, runs, fail_if, confidence)
    failed = any(check.failed for check in checks)
    if as_json:
        put_json(
            {
                "baseline": base.name,
                "evidence": base.evidence,
                "virtual": base.virtual,
                "confidence": confidence,
                "failed": failed,
                "checks": [check.as_dict() for check in checks],
                "differences": differences,
            }
        )
    else:
        print_checks(base, checks, differences, confidence)
    if failed:
        leave(SAYS_NO)


def _measure(
    axes: dict[str, list[str]],
    rounds: int,
    stimulus: dict[str, Any],
    order_seed: int,
    bench: Path,
    board: str,
    out: Path | None,
    prove_wires: bool,
    matters: float,
    details: bool,
    as_json: bool,
) -> None:
    import sys

    from edgereply.api.in_turns import measure_blocks
    from edgereply.api.measuring import bench_source
    from edgereply.cli.on_terminal import watching
    from edgereply.config.overrides import typed_command
    from edgereply.measurement.measure import Procedure

    result = measure_blocks(
        bench_source(bench), board, axes, stimulus, rounds, order_seed, out,
        lambda name, condition, label, whole: watching(condition, name, label, whole),
        Procedure(say=say, repeat=typed_command(sys.argv), bench_file=bench, prove_wires=prove_wires),
        matters,
    )  # fmt: skip
    if as_json:
        put_json(result.as_dict())
        say(f"series written to {result.directory}")
    else:
        from edgereply.cli.differences import print_interleaved

        print_interleaved(result, details)
    if result.interrupted:
        say("interrupted: complete rounds are evaluated, and every block measured is kept")
        leave(INTERRUPTED)


def _names(text: str) -> list[str]:
    return list(dict.fromkeys(name.strip() for name in text.split(",") if name.strip()))
