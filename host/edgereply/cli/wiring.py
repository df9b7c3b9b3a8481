"""`edgereply wiring`: the wires to make, and slow pulses that prove them."""

from pathlib import Path
from typing import Annotated

import typer

from edgereply.cli.common import SAYS_NO, BenchOption, BoardOption, JsonOption, leave, put_json, say

NAME = "wiring"


def command(
    bench: BenchOption = Path("bench.toml"),
    board: BoardOption = "",
    only_show: Annotated[bool, typer.Option("--only-show", help="Print the wires to make and touch nothing.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Show how to wire the bench and check the wires with slow pulses before anything is measured."""
    from dataclasses import asdict

    from edgereply.assembly import open_board, open_source, with_wires
    from edgereply.settings import load_bench
    from edgereply.wirecheck import check_level, check_wires
    from edgereply.wiring_findings import diagram

    settings = load_bench(bench)
    name, target = settings.pick(board)
    source = settings.source_of(name)
    drawing = diagram(
        source.kind, name, str(target.input), str(target.output), source.level_v, target.input_limit_v, target.taps
    )
    if not as_json:
        print("\n".join(drawing))
    check_level(target, source)
    if only_show:
        return
    with open_source(settings, name) as pulses, open_board(name, target) as client:
        check = check_wires(client, with_wires(target, pulses), pulses, say)
    if as_json:
        put_json({"right": check.right, "findings": [asdict(finding) for finding in check.findings]})
    for finding in check.findings:
        say(f"{'right' if finding.right else 'WRONG'}: {finding.subject} ({finding.seen})")
        if finding.remedy:
            say(f"       {finding.remedy}")
    if not check.right:
        leave(SAYS_NO)
