"""`edgereply demo`: a whole measurement on software wires, no hardware needed."""

from pathlib import Path
from typing import Annotated

import typer

from edgereply.cli.common import DetailsOption, JsonOption, leave, put_json, say
from edgereply.errors import INTERRUPTED
from edgereply.wording.folding import tell

BENCH = """# A bottling line: a light barrier sees a bad bottle, the board must fire the reject gate within 2 ms.
# Virtual: software wires between processes of this computer. The times are this computer's scheduler.
title = "Reject gate, bottling line (invented demo data, virtual)"
deadline = "2ms"

[board.gate]
link = "local"
route = "virtual"
wait = "block"

[source]
kind = "virtual"

[stimulus]
pattern = "exponential"
rate = "1000/s"
floor = "500us"
width = "50us"
dwell = "{dwell}"
seed = 20
"""

EXAMPLES = ("edgereply demo",)


def command(
    out: Annotated[
        Path, typer.Option(help="Directory to write into; must be new or empty.", metavar="DIRECTORY")
    ] = Path("edgereply-demo"),
    dwell: Annotated[str, typer.Option(help="How long each of the two runs takes.", metavar="TIME")] = "8s",
    details: DetailsOption = False,
    as_json: JsonOption = False,
) -> None:
    """Measure a virtual reject gate by two wait strategies and show both side by side (about half a minute)."""
    from dataclasses import replace

    from edgereply.api.option_values import duration_option
    from edgereply.cli.on_terminal import print_conditions, watching
    from edgereply.evaluation.headline import headline
    from edgereply.evaluation.run_view import letter
    from edgereply.measurement.demo import prepare
    from edgereply.measurement.measure import Measured, Procedure, measure
    from edgereply.report.document import write_page
    from edgereply.report.material import load_material
    from edgereply.report.terminal.result import print_result

    directory = prepare(out, BENCH.replace("{dwell}", f"{duration_option(dwell, '--dwell') // 1_000_000}ms"))
    done: list[Measured] = []
    for wait, bench in directory.benches.items():
        say(f"virtual bench, wait strategy '{wait}'")
        with watching(bench, "") as watch:
            repeat = [f"edgereply measure --bench {directory.bench_file} --wait {wait}"]
            done.append(measure(bench, "", directory.runs / wait, watch, Procedure(say=say, repeat=repeat)))
        if done[-1].outcome.interrupted:
            say(f"interrupted: what was measured until then is kept in {done[-1].directory}")
            leave(INTERRUPTED)
        if done[-1].outcome.error is not None:
            raise done[-1].outcome.error
    runs = [item.directory for item in done]
    page = directory.root / "report.html"
    material = load_material(runs, None, say)
    write_page(material.views, page, material.comparison, material.title)
    steps = next_steps(directory.bench_file, runs, page)
    if as_json:
        put_json({"page": str(page), "runs": [{"run": str(m.directory), **m.record.summary} for m in done]})
        for line in steps:
            say(line)
    else:
        if details:
            print_result(material.views)
            tell()
        named = [
            replace(view, title=f"{letter(index)}: wait {wait}")
            for index, (view, wait) in enumerate(zip(material.views, directory.benches, strict=True))
        ]
        print_conditions([headline(view) for view in named], [], steps)


def next_steps(bench_file: Path, runs: list[Path], page: Path) -> list[str]:
    """What to do after the demo."""
    return [
        f"the page, to be opened in a browser: {page}",
        f"next: edgereply verdict {runs[0]} --exceed 1%   # 1 % late is ok",
        f"next: edgereply explain {runs[0]}   # why answers were late",
        "with real wires: 'A first afternoon' in the documentation (common ground first, never 5 V into a 3.3 V input)",
    ]
