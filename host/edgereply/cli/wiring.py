"""`edgereply wiring`: the wires to make, and slow pulses that prove them."""

from pathlib import Path
from typing import Annotated

import typer

from edgereply.cli.common import BenchOption, BoardOption, JsonOption, TrustOption, leave, put_json, say
from edgereply.errors import SAYS_NO
from edgereply.wording.folding import tell

VIRTUAL = (
    "VIRTUAL: these are software wires: there are none to make or to check, and measure takes them as they are. "
    "The drawing is what hardware takes."
)
EXTERNAL = (
    "No agent of ours is on this board, so nothing there can say what arrives: these wires are not checked. "
    "A few stimuli of measure show whether it answers."
)

EXAMPLES = ("edgereply wiring --only-show", "edgereply wiring --board gate")


def command(
    bench: BenchOption = Path("bench.toml"),
    board: BoardOption = "",
    only_show: Annotated[bool, typer.Option("--only-show", help="Print the wires to make and touch nothing.")] = False,
    trust: TrustOption = False,
    as_json: JsonOption = False,
) -> None:
    """Show how to wire the bench and check the wires with slow pulses before anything is measured."""
    from dataclasses import asdict

    from edgereply.config.bench_file import load_bench
    from edgereply.config.choices import software_wires
    from edgereply.measurement.assembly import open_board, open_source, with_wires
    from edgereply.measurement.wiring_check import check_level, check_wires
    from edgereply.measurement.wiring_findings import diagram

    settings = load_bench(bench)
    name, target = settings.pick(board)
    source = settings.source_of(name)
    drawing = diagram(
        source.kind, name, str(target.input) or "input", str(target.output) or "output", source.level_v,
        target.input_limit_v, target.taps,
    )  # fmt: skip
    if not as_json:
        for line in drawing:
            tell(line)
    check_level(target, source)
    document = {"drawing": drawing, "virtual": software_wires(target.route), "right": None, "findings": []}
    unchecked = VIRTUAL if software_wires(target.route) else "" if target.ours or target.taps else EXTERNAL
    if only_show or unchecked:
        if as_json:
            put_json(document)
        if unchecked:
            say(unchecked)
        return
    with open_source(settings, name) as pulses, open_board(name, target) as client:
        check = check_wires(client, with_wires(target, pulses), pulses, say)
    if as_json:
        put_json(document | {"right": check.right, "findings": [asdict(finding) for finding in check.findings]})
    for finding in check.findings:
        say(f"{'right' if finding.right else 'WRONG'}: {finding.subject} ({finding.seen})")
        if finding.remedy:
            say(f"       {finding.remedy}")
    if not check.right:
        leave(SAYS_NO)
