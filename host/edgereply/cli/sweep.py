"""`edgereply sweep`: many conditions in interleaved blocks, from a plan file."""

from pathlib import Path
from typing import Annotated, Any

import typer

from edgereply.cli.common import DetailsOption, JsonOption, TrustOption, leave, put_json, say
from edgereply.errors import INTERRUPTED, SAYS_NO, TROUBLE
from edgereply.wording.folding import tell

EXAMPLES = ("edgereply sweep night.toml --dry-run", "edgereply sweep night.toml --out runs/night")


def command(
    plan: Annotated[Path, typer.Argument(help="Plan file: what is varied, how often, for how long.", metavar="PLAN")],
    bench: Annotated[
        Path | None, typer.Option(help="Bench file in place of the one the plan names.", metavar="FILE")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Series directory; default runs/TIME-PLAN.", metavar="DIRECTORY")
    ] = None,
    resume: Annotated[bool, typer.Option("--resume", help="Measure only what the series at --out lacks.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show the plan and its time; measure nothing.")] = False,
    saturation: Annotated[
        str | None,
        typer.Option(help="Instead: the highest rate answered without missing, in '100/s to 4000/s'.", metavar="RATES"),
    ] = None,
    no_wiring: Annotated[bool, typer.Option("--no-wiring", help="Do not prove the wires first.")] = False,
    power_log: Annotated[
        list[str] | None,
        typer.Option(help="CSV file of a USB meter with dates, read at the end; BOARD=FILE for one.", metavar="FILE"),
    ] = None,
    power_accuracy: Annotated[
        str | None, typer.Option(help="Of the meter that wrote the log, such as ±1%.", metavar="ACCURACY")
    ] = None,
    matters: Annotated[
        str, typer.Option(help="The smallest change that counts; 0% counts any.", metavar="SHARE")
    ] = "5%",
    details: DetailsOption = False,
    trust: TrustOption = False,
    as_json: JsonOption = False,
) -> None:
    """Sweep rates, patterns, routes, waits, priorities, CPUs and boards in interleaved blocks of random order."""
    from edgereply.api.option_values import margin_option
    from edgereply.api.sweeping import planned_sweep
    from edgereply.errors import SettingError
    from edgereply.exchange.imports.power_log_join import parse_accuracy_option, parse_log_options
    from edgereply.measurement.sweep.state import begin, take_up

    counts = margin_option(matters, "--matters")
    if resume and out is None:
        raise SettingError("nothing to resume", where="--resume", remedy="name the series directory with --out")
    planned = planned_sweep(plan, bench, out)
    wanted, ready, directory = planned.plan, planned.ready, planned.directory
    bench_file = bench or plan.parent / wanted.bench
    meter = parse_log_options(power_log or [], planned.boards), parse_accuracy_option(power_accuracy)
    if saturation is not None:
        if len(ready) != 1 or resume or dry_run or wanted.axes.rate:
            raise SettingError(
                "a search takes a plan of one condition without a rate, and neither --resume nor --dry-run",
                where="--saturation",
                remedy="give each axis one value at most, and leave the axis 'rate' out",
            )
        _saturate(saturation, next(iter(ready.values())), directory, bench_file, not no_wiring, as_json)
        return
    record = planned.record
    if resume:
        record = take_up(directory, record, write=not dry_run)
    if dry_run:
        _show_plan(record, ready, wanted.at_once, as_json)
        return
    if not resume:
        begin(directory, record)
    _measure(record, ready, directory, bench_file, wanted, not no_wiring, meter, counts, details, as_json)


def _measure(
    record: Any, ready: Any, directory: Path, bench_file: Path, wanted: Any, prove_wires: bool, meter: Any,
    matters: float, details: bool, as_json: bool,
) -> None:  # fmt: skip
    import sys
    from contextlib import nullcontext

    from edgereply.cli.on_terminal import watching
    from edgereply.config.overrides import typed_command
    from edgereply.exchange.imports.power_log_join import join_series
    from edgereply.measurement.measure import Procedure
    from edgereply.measurement.sweep.sweep import Sweep
    from edgereply.report.terminal.stage import Stage

    def watch(bench: Any, condition: str, whole: Any) -> Any:
        return watching(bench, ready[condition].board, condition, whole if stage is None else sweep.progress, stage)

    procedure = Procedure(
        say=say, repeat=typed_command(sys.argv), bench_file=bench_file, prove_wires=prove_wires
    )  # fmt: skip
    sweep = Sweep(record, ready, directory, procedure, watch, wanted.give_up_after, at_once=wanted.at_once)
    left = [block for block in record.blocks if block.state != "complete"]
    _say_time(sweep.left_s(), len(left), len(record.blocks), sweep.lanes)
    with Stage(sweep.progress) if len(sweep.lanes) > 1 else nullcontext() as stage:
        ended = sweep.carry_out()
    join_series(directory, record, *meter)
    _show(directory, record, ended, matters, details, as_json)
    if ended.gave_up is not None:
        raise ended.gave_up
    if ended.interrupted:
        say("interrupted: every block measured is kept; --resume measures the rest")
        leave(INTERRUPTED)
    if any(block.state != "complete" for block in record.blocks):
        say("some blocks failed: see the reasons above; --resume tries them again")
        leave(TROUBLE)


def _saturate(text: str, setup: Any, directory: Path, bench_file: Path, prove_wires: bool, as_json: bool) -> None:
    import sys

    from edgereply.cli.on_terminal import watching
    from edgereply.config.overrides import typed_command
    from edgereply.measurement.measure import Procedure
    from edgereply.measurement.sweep.probing import find_saturation, parse_range
    from edgereply.measurement.sweep.saturation import sentences
    from edgereply.wording.units import rate_words

    slow_ns, quick_ns = parse_range(text)

    def watch(bench: Any, label: str, whole: Any) -> Any:
        return watching(bench, setup.board, label, whole)

    procedure = Procedure(
        say=say, repeat=typed_command(sys.argv), bench_file=bench_file, prove_wires=prove_wires
    )  # fmt: skip
    found, virtual = find_saturation(setup, slow_ns, quick_ns, directory, procedure, watch)
    if as_json:
        put_json({"directory": str(directory), "virtual": virtual, **found.as_dict()})
    else:
        for probe in found.probes:
            late = "" if probe.late is None else f", {probe.late:,} late"
            queue = ", later and later" if probe.behind else ""
            rate = rate_words(probe.period_ns)
            tell(f"{rate:>10}  {probe.stimuli:,} stimuli, {probe.unanswered:,} unanswered{late}{queue}")
        tell(("VIRTUAL: " if virtual else "") + " ".join(sentences(found)))
    say(f"probes written to {directory}")
    if found.kept_up_ns is None:
        leave(SAYS_NO)


def _show(directory: Path, record: Any, ended: Any, matters: float, details: bool, as_json: bool) -> None:
    from edgereply.comparison.advice import advise
    from edgereply.comparison.contrasts import contrasts
    from edgereply.comparison.entries import series_entries
    from edgereply.report.tables import sweep_table

    entries = series_entries(directory, record, None)
    found = sweep_table.rows(entries)
    advice = advise(contrasts(entries, record.conditions, matters=matters), entries)
    if as_json:
        trouble = "" if ended.gave_up is None else str(ended.gave_up)
        put_json(
            sweep_table.document(directory, record, found, ended.interrupted, trouble) | {"advice": advice.as_dict()}
        )
        say(f"series written to {directory}")
        return
    from edgereply.cli.on_terminal import print_conditions
    from edgereply.comparison.condition_headlines import entry_headline

    if details:
        _print_whole(found, advice)
    below = [f"series written to {directory}", f"next: edgereply compare {directory}"]
    below.append(f"next: edgereply report {directory} -o report.html")
    changes = [f"{head}: {'; '.join(parts)}." for head, parts in advice.sentences]
    print_conditions([entry_headline(entry) for entry in entries], [] if details else changes, below)


def _print_whole(found: Any, advice: Any) -> None:
    from edgereply.report.tables import sweep_table
    from edgereply.report.terminal.sheet import print_sheet
    from edgereply.wording.numbers import rounds_together

    headings, lines, notes = sweep_table.sheet(found)
    print_sheet(headings, lines)
    for line in notes:
        tell(line)
    for line in (line for entry, _ in found for line in rounds_together(entry.trouble)):
        tell(f"! {line}")
    tell()
    for line in advice.lines():
        tell(line)
    tell()


def _show_plan(record: Any, ready: Any, at_once: bool, as_json: bool) -> None:
    from edgereply.measurement.pace import Pace
    from edgereply.measurement.sweep.sweep import lane_blocks
    from edgereply.wording.numbers import time_left

    left = [block for block in record.blocks if block.state != "complete"]
    lanes = lane_blocks(left, ready, at_once)
    seconds = max(Pace().total_s([ready[block.condition] for block in blocks]) for blocks in lanes.values())
    if as_json:
        put_json(
            {
                "order_seed": record.order_seed,
                "conditions": record.conditions,
                "blocks": [block.model_dump(mode="json") for block in left],
                "at_once": list(lanes),
                "estimate_s": round(seconds, 1),
            }
        )
        return
    for name, settings in record.conditions.items():
        words = ", ".join(f"{axis} {value}" for axis, value in settings.items()) or "as the bench says"
        bench = ready[name].bench
        tell(f"{name}: {words}; {bench.stimulus.stimuli:,} stimuli a block")
    for number, block in enumerate(left, 1):
        tell(f"{number:>4}  round {block.round}  {block.condition}  (arrivals seed {block.seed})")
    if len(lanes) > 1:
        tell(f"at the same time: {'; '.join(lanes)}")
    tell(f"order seed {record.order_seed}; {len(left)} blocks to measure, about {time_left(seconds)}")


def _say_time(seconds: float, left: int, blocks: int, lanes: list[str]) -> None:
    from edgereply.wording.numbers import time_left

    say(f"{left} of {blocks} blocks to measure, about {time_left(seconds)}")
    if len(lanes) > 1:
        say(f"at the same time: {'; '.join(lanes)}")
