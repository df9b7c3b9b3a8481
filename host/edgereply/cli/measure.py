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

EXAMPLES = (
    "edgereply measure --out runs/first",
    "edgereply measure --wait spin --fifo-priority 50 --dwell 30s",
    "edgereply measure --until 'p99 within 5%'",
    "edgereply measure --trace --out runs/traced",
)


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
        str | None,
        typer.Option(help="Arrivals of the stimuli.", **choices(("periodic", "uniform", "exponential", "pairs"))),
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
    trace: Annotated[
        bool | None,
        typer.Option("--trace", help="Record who had the processor while answers were late; needs root on the board."),
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
    from edgereply.api.measuring import bench_source, settings_of
    from edgereply.exchange.imports.power_log_join import parse_accuracy_option

    accuracy = parse_accuracy_option(power_accuracy)
    options = {"route": route, "wait": wait, "collection": collection, "responder": responder, "power": power,
               "load": load, "trace": trace, "fifo_priority": fifo_priority, "pattern": pattern, "rate": rate,
               "count": count, "dwell": dwell, "seed": seed, "deadline": deadline}  # fmt: skip
    settings = settings_of(bench_source(bench), board, options)
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

    from edgereply.api.measuring import carry_out
    from edgereply.api.runs import SavedRun
    from edgereply.cli.on_terminal import watching
    from edgereply.config.overrides import typed_command
    from edgereply.evaluation.cautions import cautions
    from edgereply.measurement.measure import Procedure
    from edgereply.storage.run_reader import RunReader

    procedure = Procedure(say=say, repeat=typed_command(sys.argv), bench_file=bench, prove_wires=prove_wires)
    with watching(settings, board) as watch:
        run, outcome = carry_out(settings, board, out, watch, procedure, until)
    directory = run.path
    if meter[0] is not None:
        _with_power(directory, *meter)
        run = SavedRun(directory)
    record = RunReader(directory).record
    if as_json:
        put_json(run.as_dict())
        for note in record.warnings:
            say(f"note: {note}")
        for caution in cautions(record, record.counts):
            say(f"caution: {caution}")
    else:
        from edgereply.cli.on_terminal import end_with_run

        end_with_run(directory, _next_steps(directory, record), details)
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


def _with_power(directory: Path, log: Path, accuracy: Any) -> None:
    from edgereply.errors import SettingError
    from edgereply.exchange.imports.power_log import read_power_log
    from edgereply.exchange.imports.power_log_join import join_log

    try:
        join_log(directory, read_power_log(log), accuracy)
    except SettingError:
        say(f"the run is kept in {directory}, without power")
        raise
