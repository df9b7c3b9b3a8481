"""`edgereply source`: what the pulse source is, and the null measurement of the fixture."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from edgereply.cli.common import BenchOption, BoardOption, JsonOption, TrustOption, put_json, say


def command(
    what: Annotated[
        Literal["identify", "null"],
        typer.Argument(
            help="identify: who is on the port. null: stimulus jumpered to capture, the fixture's own delay."
        ),
    ] = "identify",
    bench: BenchOption = Path("bench.toml"),
    board: BoardOption = "",
    trust: TrustOption = False,
    as_json: JsonOption = False,
) -> None:
    """Identify the pulse source, or measure what the fixture itself adds (no board connected)."""
    from dataclasses import asdict

    from edgereply.config.bench_file import load_bench
    from edgereply.config.choices import SOURCES
    from edgereply.errors import SettingError
    from edgereply.measurement.assembly import open_source
    from edgereply.measurement.fixture import fixture_path, measure_fixture, save_fixture

    settings = load_bench(bench)
    name, _ = settings.pick(board)
    declared = settings.source_of(name)
    if what == "null" and SOURCES[declared.kind].virtual:
        raise SettingError(
            "a virtual source has no fixture to measure: its wires are software",
            where=str(bench),
            remedy="leave this step out without hardware; with hardware name its source in [source]",
        )
    say(f"opening the pulse source ({declared.kind})")
    with open_source(settings, name) as source:
        identity = source.identity
        said = f"{identity.model}, serial {identity.serial or 'none'}, firmware {identity.firmware}"
        say(f"{said}{' (virtual)' if identity.virtual or declared.virtual else ''}")
        say(f"tick {1e9 / identity.tick_hz:g} ns, clock ± {identity.tolerance_ppm:g} ppm, "
            f"{'captures responses' if identity.captures else 'stimulus only'}")  # fmt: skip
        if what == "identify":
            if as_json:
                put_json(asdict(identity))
            return
        say("null measurement: stimulus and capture must be joined by one jumper, and no board connected")
        record = measure_fixture(source, declared.virtual)
    path = fixture_path(bench)
    save_fixture(path, record)
    if as_json:
        put_json(record.model_dump(mode="json"))
    say(f"{record.count} stimuli came back, {record.missed} did not; {record.sentence()}")
    parts = ", ".join(f"{name.removesuffix('_ns')} {value:.3g} ns" for name, value in record.budget.items())
    say(f"uncertainty of the delay: {parts}")
    say(f"kept in {path}; runs of this bench file report it")
