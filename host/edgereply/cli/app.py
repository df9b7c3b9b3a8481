"""All commands in one place."""

from typing import Annotated

import typer

from edgereply import __version__
from edgereply.cli import (
    bundle,
    compare,
    demo,
    deploy,
    explain,
    export,
    import_,
    inspect_board,
    measure,
    report,
    source,
    sweep,
    verdict,
    wiring,
)

app = typer.Typer(
    name="edgereply",
    help="How long does a board take to answer an input edge, how much does that vary, and can I rely on it?",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,  # rich draws help in colour and takes longer to import than all the rest
    pretty_exceptions_enable=False,
)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"edgereply {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    pass


for _module in (
    demo,
    inspect_board,
    deploy,
    source,
    wiring,
    measure,
    sweep,
    compare,
    explain,
    verdict,
    report,
    export,
    bundle,
    import_,
):
    app.command(name=_module.NAME)(_module.command)
