"""`edgereply init`: a bench file or a sweep's plan file, by questions or by options."""

from pathlib import Path
from typing import Annotated, Any

import typer

from edgereply.cli.common import BenchOption, JsonOption, SshConfigOption, choices, put_json, say
from edgereply.wording.folding import tell

REACH_NAMES = ("ssh", "local", "external", "virtual")
KIND_NAMES = ("reference", "self", "generator", "lines")

EXAMPLES = ("edgereply init", "edgereply init --reach virtual --deadline 2ms", "edgereply init --plan")


def command(
    host: Annotated[str, typer.Option(help="The board: what you type after ssh.", metavar="HOST")] = "",
    reach: Annotated[
        str, typer.Option(help="How the board is reached; with --host over ssh.", **choices(REACH_NAMES))
    ] = "",
    ssh_config: SshConfigOption = "",
    name: Annotated[str, typer.Option(help="Name of the board in files and tables.", metavar="BOARD")] = "",
    input_line: Annotated[
        str, typer.Option("--input", help="Line that the stimulus arrives on: name or chip:offset.", metavar="LINE")
    ] = "",
    output_line: Annotated[
        str, typer.Option("--output", help="Line that the response leaves by.", metavar="LINE")
    ] = "",
    source: Annotated[str, typer.Option(help="The pulse source.", **choices(KIND_NAMES))] = "",
    port: Annotated[
        str, typer.Option(help="What the source is on, such as /dev/ttyUSB0 or socket://host:5025.", metavar="PORT")
    ] = "",
    baud: Annotated[int | None, typer.Option(help="Bits a second, where not the kind's own.", metavar="N")] = None,
    stimulus_line: Annotated[
        str, typer.Option(help="For source self: the line wired to the input.", metavar="LINE")
    ] = "",
    capture_line: Annotated[
        str, typer.Option(help="For source self: the line wired to the output.", metavar="LINE")
    ] = "",
    level: Annotated[float | None, typer.Option(help="Level of the source's pulses, in V.", metavar="VOLTS")] = None,
    input_limit: Annotated[
        float, typer.Option(help="The most that the board's input bears, in V.", metavar="VOLTS")
    ] = 3.3,
    divider: Annotated[
        bool | None, typer.Option("--divider/--no-divider", help="Whether a divider or level shifter stands between.")
    ] = None,
    deadline: Annotated[str, typer.Option(help="The latest answer that is still of use.", metavar="TIME")] = "",
    rate: Annotated[str, typer.Option(help="Stimuli a second on average.", metavar="RATE")] = "200/s",
    count: Annotated[int, typer.Option(help="Stimuli of a run.", metavar="N")] = 10_000,
    no_try: Annotated[bool, typer.Option("--no-try", help="Write the file without trying board and source.")] = False,
    wiring: Annotated[bool, typer.Option("--wiring", help="Prove the wires with slow pulses afterwards.")] = False,
    plan: Annotated[bool, typer.Option("--plan", help="Write a sweep's plan file for the bench file.")] = False,
    vary: Annotated[
        list[str] | None,
        typer.Option(
            help="With --plan: an axis and its values, such as wait=block,spin; several times.", metavar="AXIS"
        ),
    ] = None,
    rounds: Annotated[int | None, typer.Option(help="With --plan: rounds.", metavar="N")] = None,
    dwell: Annotated[str, typer.Option(help="With --plan: how long a block lasts.", metavar="TIME")] = "",
    bench: BenchOption = Path("bench.toml"),
    out: Annotated[
        Path | None, typer.Option(help="File to write; bench.toml, with --plan plan.toml.", metavar="FILE")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over a file that is there.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Write a bench file by questions: board, lines, pulse source, levels, deadline; what is named is tried at once.

    Each question has an option; without a terminal all of them are needed. Nothing is written before the last answer,
    and nothing is driven on any wire unless you let the wires be proved.
    """
    from edgereply.cli.setup.questions import Questions

    ask = Questions() if Questions.possible() else None
    path = out or Path("plan.toml" if plan else bench)
    _refuse_existing(path, force)
    if plan:
        from edgereply.cli.setup.plan_steps import collect_plan
        from edgereply.config.bench_file import load_bench
        from edgereply.config.commented_toml import plan_text

        data = collect_plan(load_bench(bench), bench, vary or [], rounds, dwell, ask)
        schema = _write(path, plan_text(data), "plan")
        _told(path, schema, {"plan": data}, as_json)
        say(f"look at it: 'edgereply sweep {path} --dry-run'")
        say(f"start it: 'edgereply sweep {path}'")
        return

    from edgereply.cli.setup.bench_steps import Given, collect, missing
    from edgereply.cli.setup.plan_steps import refuse_missing
    from edgereply.config.commented_toml import bench_text

    given = Given(
        reach=reach or ("ssh" if host else ""), host=host, ssh_config=ssh_config, name=name, input=input_line,
        output=output_line, source=source, port=port, baud=baud, level_v=level, input_limit_v=input_limit,
        divider=divider, stimulus_line=stimulus_line, capture_line=capture_line, deadline=deadline, rate=rate,
        count=count, tried=not no_try,
    )  # fmt: skip
    if ask is None:
        refuse_missing(missing(given))
    data = collect(given, ask, say)
    schema = _write(path, bench_text(data), "bench")
    _trust(path)
    drawing = _drawing(path)
    _told(path, schema, {"bench": data, "drawing": drawing}, as_json)
    if not as_json:
        for line in drawing:
            tell(line)
    _wires(path, given.reach, wiring, ask)


def _refuse_existing(path: Path, force: bool) -> None:
    from edgereply.errors import SettingError

    if path.exists() and not force:
        raise SettingError(
            "this file is there already, and nothing was changed",
            where=str(path),
            remedy="name another with --out, or write over it with --force",
        )


def _write(path: Path, text: str, kind: str) -> Path:
    """The file, and the schema that its first line names beside it."""
    import json

    from edgereply.config.schema import schema, schema_name
    from edgereply.errors import StoreError

    beside = path.with_name(schema_name(kind))
    try:
        beside.write_text(json.dumps(schema(kind), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise StoreError(
            f"cannot be written: {error.strerror}", where=str(error.filename or path), remedy="check the directory"
        ) from error
    return beside


def _trust(path: Path) -> None:
    """A file named there that this computer acts on was typed here, so that no later command has to ask for it."""
    from edgereply.config.bench_file import load_bench
    from edgereply.config.trust import trust_typed

    for board in load_bench(path).board.values():
        trust_typed(board)


def _told(path: Path, schema: Path, document: dict[str, Any], as_json: bool) -> None:
    say(f"{path} written, and {schema} for editors that complete and check TOML")
    if as_json:
        put_json({"path": str(path), "schema": str(schema), **document})


def _drawing(path: Path) -> list[str]:
    from edgereply.config.bench_file import load_bench
    from edgereply.measurement.wiring_findings import diagram

    settings = load_bench(path)
    name, board = settings.pick("")
    source = settings.source_of(name)
    return diagram(
        source.kind, name, str(board.input) or "input", str(board.output) or "output", source.level_v,
        board.input_limit_v, board.taps,
    )  # fmt: skip


def _wires(path: Path, reach: str, wiring: bool, ask: Any) -> None:
    """Prove the wires where that was asked for and there are some."""
    provable = reach in ("ssh", "local")
    if ask is not None and provable and not wiring:
        wiring = ask.agree("Are the wires made, and shall slow pulses prove them now", False)
    if wiring:
        from edgereply.cli.wiring import command as prove

        prove(bench=path)
    else:
        say(f"next: 'edgereply {'wiring' if provable else 'measure'} --bench {path}'")
