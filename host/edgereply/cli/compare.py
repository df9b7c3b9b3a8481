"""`edgereply compare`: routes or wait strategies of one board in interleaved blocks, or finished runs side by side."""

from pathlib import Path
from typing import Annotated, Any

import typer

from edgereply.cli.common import INTERRUPTED, BenchOption, BoardOption, JsonOption, leave, put_json, say

NAME = "compare"


def command(
    runs: Annotated[list[Path] | None, typer.Argument(help="Finished run directories to put side by side.")] = None,
    routes: Annotated[str, typer.Option(help="Routes to measure and compare, such as chardev,gpiod,sysfs.")] = "",
    waits: Annotated[str, typer.Option(help="Wait strategies to measure and compare, such as block,spin.")] = "",
    rounds: Annotated[int, typer.Option(min=1, max=1000, help="Rounds; 6 is the least that gives intervals.")] = 8,
    count: Annotated[int | None, typer.Option(help="Stimuli a block.")] = None,
    rate: Annotated[str | None, typer.Option(help="Mean rate of the stimuli, such as 200/s.")] = None,
    order_seed: Annotated[int, typer.Option(help="Seed of the order of the blocks.")] = 1,
    bench: BenchOption = Path("bench.toml"),
    board: BoardOption = "",
    out: Annotated[Path | None, typer.Option(help="Series directory to make.")] = None,
    no_wiring: Annotated[bool, typer.Option("--no-wiring", help="Do not prove the wires first.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Compare: measure routes or wait strategies in interleaved blocks, or show finished runs side by side."""
    from edgereply.errors import SettingError

    if runs and (routes or waits):
        raise SettingError("give run directories, or --routes and --waits, not both", where="compare")
    if runs:
        _beside(runs, as_json)
    elif routes or waits:
        _measure(
            routes, waits, rounds, {"count": count, "rate": rate}, order_seed, bench, board, out, not no_wiring, as_json
        )
    else:
        raise SettingError(
            "nothing to compare", where="compare", remedy="name run directories, or --routes chardev,gpiod,sysfs"
        )


def _beside(runs: list[Path], as_json: bool) -> None:
    from edgereply.views import load_view

    views = [load_view(run) for run in runs]
    if as_json:
        put_json({"runs": [{"run": str(run), **view.summary} for run, view in zip(runs, views, strict=True)]})
        return
    from edgereply.console.result import print_result

    print_result(views)
    grades = {(view.evidence, view.virtual) for view in views}
    if len(grades) > 1:
        say("these runs have different grades of evidence: their figures do not measure the same thing")


def _measure(
    routes: str,
    waits: str,
    rounds: int,
    stimulus: dict[str, Any],
    order_seed: int,
    bench: Path,
    board: str,
    out: Path | None,
    prove_wires: bool,
    as_json: bool,
) -> None:
    import sys

    from edgereply.cli.watching import watching
    from edgereply.compare import compare_conditions, conditions_of
    from edgereply.overrides import lay_stimulus, run_directory, typed_command
    from edgereply.settings import parse_bench, read_bench

    data = lay_stimulus(read_bench(bench), str(bench), stimulus)
    checked = parse_bench(data, str(bench))
    name, settings = checked.pick(board)
    conditions = conditions_of(_names(routes) or [settings.route], _names(waits) or [settings.wait])
    directory = out or run_directory(checked, board).with_name(run_directory(checked, board).name + "-compare")
    result = compare_conditions(
        data, str(bench), name, conditions, rounds, directory, order_seed,
        lambda condition, label: watching(condition, name), say, prove_wires, typed_command(sys.argv),
    )  # fmt: skip
    if as_json:
        put_json(result.as_dict())
    elif result.views:
        from edgereply.cli.differences import print_differences
        from edgereply.console.result import print_result

        print_result(list(result.views.values()))
        print_differences(result.differences)
    say(f"series written to {directory}")
    if result.interrupted:
        say("interrupted: complete rounds are evaluated, and every block measured is kept")
        leave(INTERRUPTED)


def _names(text: str) -> list[str]:
    return list(dict.fromkeys(name.strip() for name in text.split(",") if name.strip()))
