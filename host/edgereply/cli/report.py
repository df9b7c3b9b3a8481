"""`edgereply report`: runs, series and bundles as one page, as a picture or as a table."""

from pathlib import Path
from typing import Annotated, Any

import typer

from edgereply.cli.common import JsonOption, put_json, say

EXAMPLES = (
    "edgereply report runs/first runs/spin -o page.html",
    "edgereply report runs/first --figure distribution -o picture.svg",
)


def command(
    runs: Annotated[
        list[Path],
        typer.Argument(help="Run or series directories or bundles, any number.", metavar="RUN"),
    ],
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="File to write; report.html if not given.", metavar="FILE")
    ] = None,
    figure: Annotated[
        str,
        typer.Option(
            help="Write one figure as .svg, .png or .pdf in place of the page, such as boards.", metavar="FIGURE"
        ),
    ] = "",
    size: Annotated[str, typer.Option(help="Size of that picture in pixels.", metavar="SIZE")] = "1280x720",
    dark: Annotated[bool, typer.Option("--dark", help="Draw that picture on a dark ground.")] = False,
    table: Annotated[
        str,
        typer.Option(
            help="Write one table as .md, .csv, .json, .tex or .html: boards (for a slide), summary, comparison or "
            "conditions.",
            metavar="TABLE",
        ),
    ] = "",
    deadline: Annotated[
        str | None, typer.Option(help="Judge this deadline instead of the run's own, such as 2ms.", metavar="TIME")
    ] = None,
    exceed: Annotated[
        str | None,
        typer.Option(help="Tolerated share of late answers, such as 1e-5 or 1%; none if not given.", metavar="SHARE"),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write one self-contained page about runs, series and bundles, or one figure or table. No network is needed."""
    from edgereply.api.option_values import duration_option, share_option
    from edgereply.cli.arguments import expect_runs
    from edgereply.cli.report_parts import check_names, write_figure, write_table
    from edgereply.errors import SettingError
    from edgereply.exchange.bundle.opened import opened
    from edgereply.report.document import write_page
    from edgereply.report.material import load_material

    if output is not None and output.is_dir():
        raise SettingError("the output would be a directory", where=str(output), remedy="name a file with --output")
    expect_runs(runs)
    check_names(figure, table, output, size)
    deadline_ns = None if deadline is None else duration_option(deadline, "--deadline")
    tolerated = share_option(exceed, "--exceed")
    with opened(runs, say) as given:
        material = load_material(given.paths, deadline_ns, say, tolerated, given.named)
    if figure:
        written: Path | None = write_figure(material, figure, output, size, dark)
    elif table:
        written = write_table(material, table, output, to_stdout=not as_json)
    else:
        page = output or Path("report.html")
        write_page(material.views, page, material.comparison, material.title, material.advice)
        written = page
    if as_json:
        put_json(_document("figure" if figure else "table" if table else "page", written, material))
    if written is not None:
        say(f"{figure or table or 'page'} written to {written}")


def _document(kind: str, written: Path | None, material: Any) -> dict[str, Any]:
    sides = zip(material.comparison.places, material.views, strict=True)
    return {
        kind: None if written is None else str(written),
        "advice": None if material.advice is None else material.advice.as_dict(),
        "runs": [
            {"places": list(place.entry.places), "name": view.title, "verdict": view.judged or None, **view.summary}
            for place, view in sides
        ],
    }
