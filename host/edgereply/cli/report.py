"""`edgereply report`: runs as one page."""

from pathlib import Path
from typing import Annotated

import typer

from edgereply.cli.common import JsonOption, put_json, say

NAME = "report"


def command(
    runs: Annotated[list[Path], typer.Argument(help="Run directories.")],
    output: Annotated[Path, typer.Option("-o", "--output", help="The HTML file to write.")] = Path("report.html"),
    deadline: Annotated[
        str | None, typer.Option(help="Judge this deadline instead of the run's own, such as 2ms.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write one self-contained page about one run or several side by side."""
    from edgereply.cli.duration_option import duration_option
    from edgereply.errors import SettingError
    from edgereply.report.document import write_page
    from edgereply.views import load_view

    if output.is_dir():
        raise SettingError("the page would be a directory", where=str(output), remedy="name a file with --output")
    deadline_ns = None if deadline is None else duration_option(deadline, "--deadline")
    say(f"evaluating {len(runs)} run{'s' if len(runs) > 1 else ''} from the raw stamps")
    views = [load_view(run, deadline_ns) for run in runs]
    write_page(views, output)
    if as_json:
        put_json(
            {"page": str(output), "runs": [{"run": str(r), **v.summary} for r, v in zip(runs, views, strict=True)]}
        )
    say(f"page written to {output}")
