"""`edgereply source calibrate`: the source's clock against a better one, with its uncertainty."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from edgereply.cli.common import BenchOption, BoardOption, JsonOption, put_json, say

if TYPE_CHECKING:
    from edgereply.analysis.statistics.clock_rate import ClockRate

# A disciplined clock's rate is steered by a few parts per million while it is being kept (from memory).
COMPUTER_PPM = 10.0
_STEP = 0.25

EXAMPLES = ("edgereply source calibrate", "edgereply source calibrate --for 1h")


def command(
    bench: BenchOption = Path("bench.toml"),
    board: BoardOption = "",
    lasting: Annotated[str, typer.Option("--for", help="How long; longer is better.", metavar="TIME")] = "10min",
    period: Annotated[
        str, typer.Option(help="Pulses of this period come from a better clock to the capture input.", metavar="TIME")
    ] = "",
    reference_port: Annotated[
        str, typer.Option(help="A second pulse source that sends them, the better clock.", metavar="PORT")
    ] = "",
    reference_ppm: Annotated[
        float | None, typer.Option(help="Tolerance of the better clock, from its data sheet.", metavar="PPM")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Compare the source's clock with the computer's, or with pulses of a known period, and state the uncertainty."""
    from dataclasses import asdict

    from edgereply.cli.source.identify import tell_identity
    from edgereply.config.bench_file import load_bench
    from edgereply.measurement.assembly import open_source
    from edgereply.wording.units import parse_duration_ns

    settings = load_bench(bench)
    name, _ = settings.pick(board)
    duration_ns = _time(parse_duration_ns, lasting, "--for")
    period_ns = _time(parse_duration_ns, period, "--period") if period else 0
    ppm = _reference_ppm(reference_ppm, bool(period or reference_port), reference_port)
    say(f"opening the pulse source ({settings.source_of(name).kind})")
    with open_source(settings, name) as source:
        tell_identity(source.identity, settings.source_of(name).virtual)
        rate, by, ppm = _measure(source, duration_ns, period_ns, reference_port, ppm)
    virtual = source.identity.virtual or settings.source_of(name).virtual
    if as_json:
        put_json({**asdict(rate), "tolerance_ppm": rate.tolerance_ppm, "against": by, "reference_within_ppm": ppm,
                  "virtual": virtual, "model": source.identity.model, "serial": source.identity.serial})  # fmt: skip
    _tell(rate, by, virtual, as_json)


def _measure(
    source: Any, duration_ns: int, period_ns: int, port: str, ppm: float | None
) -> "tuple[ClockRate, str, float]":
    from edgereply.measurement.calibration import against_computer, against_pulses
    from edgereply.sources.reference import ReferenceSource

    if port:
        reference = ReferenceSource(port)
        try:
            own = reference.identity
            ppm = own.tolerance_ppm if ppm is None else ppm
            say(f"better clock: {own.model}, serial {own.serial or 'none'}, ± {ppm:g} ppm")
            rate = against_pulses(source, duration_ns, period_ns or 10_000_000, ppm, _Progress(), reference)
        finally:
            reference.close()
        return rate, f"pulse source {own.model}, serial {own.serial}", ppm
    assert ppm is not None
    if period_ns:
        return against_pulses(source, duration_ns, period_ns, ppm, _Progress()), "pulses of a known period", ppm
    return against_computer(source, duration_ns, ppm, _Progress()), "the computer's clock", ppm


def _reference_ppm(given: float | None, pulses: bool, port: str) -> float | None:
    """The better clock's tolerance; None where a second pulse source will say it.

    Raises:
        SettingError: nobody knows it.
    """
    from edgereply.errors import SettingError
    from edgereply.system.clock_discipline import disciplined

    if given is not None and not 0 <= given <= 100_000:
        raise SettingError(f"{given:g} is not from 0 to 100000", "--reference-ppm", "give 1, say")
    if given is not None or port:
        return given
    if pulses:
        raise SettingError("the tolerance of the better clock is not known", "--reference-ppm", "give it, such as 1")
    if disciplined() is not True:
        raise SettingError(
            "nothing says that a time server keeps this computer's clock",
            "the computer's clock",
            "let it be synchronised (NTP), or give its tolerance with --reference-ppm, such as 50",
        )
    return COMPUTER_PPM


def _time(parse: Any, text: str, option: str) -> int:
    from edgereply.errors import SettingError

    try:
        return int(parse(text))
    except ValueError as error:
        raise SettingError(str(error), option, "give a time with its unit, such as 10min or 10ms") from error


def _tell(rate: "ClockRate", by: str, virtual: bool, as_json: bool) -> None:
    from edgereply.wording import folding

    tell = say if as_json else folding.tell
    way = "fast" if rate.error_ppm > 0 else "slow"
    mark = "VIRTUAL: " if virtual else ""
    tell(f"{mark}the source's clock is {abs(rate.error_ppm):.3g} ppm {way} against {by}")
    tell(f"standard uncertainty {rate.combined_ppm:.2g} ppm, expanded {rate.expanded_ppm:.2g} ppm "
         f"(95 %, k = {rate.coverage:.2f})")  # fmt: skip
    parts = {"readings": rate.repeatability_ppm, "resolution": rate.resolution_ppm, "delay": rate.delay_ppm,
             "better clock": rate.reference_ppm}  # fmt: skip
    tell("of it: " + ", ".join(f"{name} {value:.2g} ppm" for name, value in parts.items()))
    tell(f"{rate.readings:,} readings over {rate.span_ns / 1e9:,.0f} s")
    # Times are taken as the source gives them, so the error that is now known stays in its tolerance.
    tolerance = math.ceil(rate.tolerance_ppm * 10) / 10
    tell(f"for the bench file, under [source]: tolerance_ppm = {tolerance:g}")


class _Progress:
    """A line each quarter of the time."""

    def __init__(self) -> None:
        self._next = _STEP

    def __call__(self, part: float) -> None:
        if part >= self._next:
            say(f"{100 * part:.0f} % of the time")
            self._next = part + _STEP
