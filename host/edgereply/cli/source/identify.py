"""`edgereply source identify`: what the pulse source is."""

from pathlib import Path
from typing import TYPE_CHECKING

from edgereply.cli.common import BenchOption, BoardOption, JsonOption, put_json, say

if TYPE_CHECKING:
    from edgereply.sources.base import SourceIdentity

EXAMPLES = ("edgereply source identify", "edgereply source identify --json")


def command(
    bench: BenchOption = Path("bench.toml"),
    board: BoardOption = "",
    as_json: JsonOption = False,
) -> None:
    """Say which pulse source answers, its tick and its clock's tolerance."""
    from dataclasses import asdict

    from edgereply.config.bench_file import load_bench
    from edgereply.measurement.assembly import open_source

    settings = load_bench(bench)
    name, _ = settings.pick(board)
    declared = settings.source_of(name)
    say(f"opening the pulse source ({declared.kind})")
    with open_source(settings, name) as source:
        tell_identity(source.identity, declared.virtual)
        if as_json:
            put_json(asdict(source.identity))


def tell_identity(identity: "SourceIdentity", virtual: bool = False) -> None:
    """Two lines on who answers.

    Args:
        identity: of the source.
        virtual: the bench file says that it is, whatever it says itself.
    """
    said = f"{identity.model}, serial {identity.serial or 'none'}, firmware {identity.firmware}"
    say(f"{said}{' (virtual)' if identity.virtual or virtual else ''}")
    say(f"tick {1e9 / identity.tick_hz:g} ns, clock ± {identity.tolerance_ppm:g} ppm, "
        f"{'captures responses' if identity.captures else 'stimulus only'}")  # fmt: skip
