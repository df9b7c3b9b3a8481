"""`edgereply source null`: the null measurement of the fixture."""

from pathlib import Path

from edgereply.cli.common import BenchOption, BoardOption, JsonOption, TrustOption, put_json, say

EXAMPLES = ("edgereply source null",)


def command(
    bench: BenchOption = Path("bench.toml"),
    board: BoardOption = "",
    trust: TrustOption = False,
    as_json: JsonOption = False,
) -> None:
    """Measure what the fixture itself adds: stimulus jumpered to capture, no board connected."""
    from edgereply.cli.source.identify import tell_identity
    from edgereply.config.bench_file import load_bench
    from edgereply.config.choices import SOURCES
    from edgereply.errors import SettingError
    from edgereply.measurement.assembly import open_source
    from edgereply.measurement.fixture import fixture_path, measure_fixture, save_fixture

    settings = load_bench(bench)
    name, _ = settings.pick(board)
    declared = settings.source_of(name)
    if SOURCES[declared.kind].virtual:
        raise SettingError(
            "a virtual source has no fixture to measure: its wires are software",
            where=str(bench),
            remedy="leave this step out without hardware; with hardware name its source in [source]",
        )
    say(f"opening the pulse source ({declared.kind})")
    with open_source(settings, name) as source:
        tell_identity(source.identity, declared.virtual)
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
