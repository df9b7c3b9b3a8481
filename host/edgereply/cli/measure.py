"""`edgereply measure`: one condition, one run."""

from pathlib import Path
from typing import Annotated, Any

import typer

from edgereply.cli.common import (
    RESPONDERS,
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
from edgereply.errors import INTERRUPTED
from edgereply_protocol import ROUTES


def command(
    bench: BenchOption = Path("bench.toml"),
    board: BoardOption = "",
    route: Annotated[str | None, typer.Option(help="How the board answers.", **choices(ROUTES))] = None,
    wait: Annotated[str | None, typer.Option(help="How it waits for the edge.", **choices(WAITS))] = None,
    responder: Annotated[
        str | None,
        typer.Option(help="What answers; floor makes the same calls from C.", **choices(RESPONDERS)),
    ] = None,
    load: Annotated[
        str | None, typer.Option(help="Load the agent makes, such as 'cpu=2,memory=64M'.", metavar="LOAD")
    ] = None,
    collection: Annotated[
        str | None, typer.Option(help="Send stamps while it measures, or at the end.", **choices(("stream", "quiet")))
    ] = None,
    pattern: Annotated[
        str | None, typer.Option(help="Arrivals of the stimuli.", **choices(("periodic", "uniform", "exponential")))
    ] = None,
    rate: Annotated[str | None, typer.Option(help="Mean rate of the stimuli, such as 200/s.", metavar="RATE")] = None,
    count: Annotated[int | None, typer.Option(help="How many stimuli.", metavar="N")] = None,
    dwell: Annotated[
        str | None, typer.Option(help="How long instead of how many, such as 60s.", metavar="TIME")
    ] = None,
    seed: Annotated[int | None, typer.Option(help="Seed of the arrivals.", metavar="N")] = None,
    fifo_priority: Annotated[
        int | None, typer.Option(help="SCHED_FIFO priority to ask for, 1 to 99.", metavar="PRIORITY")
    ] = None,
    deadline: Annotated[
        str | None, typer.Option(help="Answers later than this are late, such as 2ms.", metavar="TIME")
    ] = None,
    power: Annotated[
        str | None, typer.Option(help="The board's power as a meter shows it, such as 3.1W±0.1.", metavar="POWER")
    ] = None,
    power_log: Annotated[
        Path | None,
        typer.Option(
            help="CSV file of a USB meter, read when the run has ended: time and W, or V and A.", metavar="FILE"
        ),
    ] = None,
    power_accuracy: Annotated[
        str | None, typer.Option(help="Of the meter that wrote the log, such as ±1%.", metavar="ACCURACY")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Run directory to make; default runs/TIME-BOARD-ROUTE-WAIT.", metavar="DIRECTORY"),
    ] = None,
    until: Annotated[
        str | None, typer.Option(help="Stop early by a valid rule, such as 'p99.9 within 5%'.", metavar="RULE")
    ] = None,
    no_wiring: Annotated[
        bool, typer.Option("--no-wiring", help="Do not prove the wires with slow pulses first.")
    ] = False,
    details: DetailsOption = False,
    trust: TrustOption = False,
    as_json: JsonOption = False,
) -> None:
    """Measure one board by one route: reaction time, pulse width, jitter, missed answers."""
    from edgereply.config.bench_file import read_bench
    from edgereply.config.overrides import override
    from edgereply.exchange.imports.power_log_join import parse_accuracy_option

    accuracy = parse_accuracy_option(power_accuracy)
    settings = override(
        read_bench(bench),
        where=str(bench),
        board=board,
        on_board={"route": route, "wait": wait, "collection": collection, "responder": responder, "power": power}
        | {"load": load},
        realtime={"fifo_priority": fifo_priority},
        stimulus={"pattern": pattern, "rate": rate, "count": count, "dwell": dwell, "seed": seed},
        top={"deadline": deadline},
    )
    _run(settings, bench, board, out, not no_wiring, until, (power_log, accuracy), details, as_json)


def _run(
    settings: Any,
    bench: Path,
    board: str,
    out: Path | None,
    prove_wires: bool,
    until: str | None,
    meter: Any,
    details: bool,
    as_json: bool,
) -> None:
    import sys

    from edgereply.cli.on_terminal import watching
    from edgereply.config.overrides import run_directory, typed_command
    from edgereply.evaluation.cautions import cautions
    from edgereply.measurement.measure import Procedure, measure
    from edgereply.measurement.stopping_rule import parse_goal
    from edgereply.storage.run_writer import refuse_used

    goal = None if until is None else parse_goal(until)
    directory = out or run_directory(settings, board)
    refuse_used(directory)
    procedure = Procedure(say=say, repeat=typed_command(sys.argv), bench_file=bench, prove_wires=prove_wires)
    with watching(settings, board) as watch:
        measured = measure(settings, board, directory, watch, procedure, goal)
    summary = _with_power(directory, *meter) if meter[0] is not None else measured.record.summary
    if as_json:
        # What was lost on the way stands beside the figures, also where there are none.
        lost = {name: measured.record.counts.get(name, 0) for name in ("lost_edges", "unrecorded", "lost_records")}
        put_json({"run": str(directory), "state": measured.record.state, **summary, **lost,
                  "warnings": measured.record.warnings})  # fmt: skip
        for note in measured.record.warnings:
            say(f"note: {note}")
        for caution in cautions(measured.record, measured.record.counts):
            say(f"caution: {caution}")
    else:
        from edgereply.cli.on_terminal import end_with_run

        end_with_run(directory, _next_steps(directory, measured.record), details)
    outcome = measured.outcome
    if outcome.interrupted:
        say("interrupted: what was measured until then is kept")
        leave(INTERRUPTED)
    if outcome.error is not None:
        say("the run is incomplete; what was received is kept")
        raise outcome.error


def _next_steps(directory: Path, record: Any) -> list[str]:
    """What to do with the run, the most useful first."""
    troubled = any(record.counts.get(name) for name in ("late", "missed", "coalesced", "ambiguous"))
    why = [f"edgereply explain {directory}"] if troubled else []
    judge = [] if record.deadline_ns is None else [f"edgereply verdict {directory}"]
    return [*why, *judge, f"edgereply report {directory} -o report.html"]


def _with_power(directory: Path, log: Path, accuracy: Any) -> Any:
    from edgereply.errors import SettingError
    from edgereply.exchange.imports.power_log import read_power_log
    from edgereply.exchange.imports.power_log_join import join_log
    from edgereply.storage.run_reader import RunReader

    try:
        join_log(directory, read_power_log(log), accuracy)
    except SettingError:
        say(f"the run is kept in {directory}, without power")
        raise
    return RunReader(directory).record.summary
