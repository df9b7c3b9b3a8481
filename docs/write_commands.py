"""Writes commands.md from the program's own parser: `python docs/write_commands.py`. A test holds the two together."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import typer

from edgereply.cli.app import COMMANDS, app

PAGE = Path(__file__).with_name("commands.md")
HEAD = """# Commands

Written by `docs/write_commands.py` from the program's own help. Exit codes: 0 done, 1 the measurement says no,
2 bad input, 3 board, link, source or disk trouble, 130 interrupted (what was measured is kept).
"""
FOOT = """
Figures are evidence for a design; what a machine may rely on is decided by the standards that apply, local codes and a
qualified engineer.
"""


def _option(parameter: Any, context: Any) -> str:
    """One row of the table."""
    record = parameter.get_help_record(context)
    if record is None:
        name = parameter.make_metavar(context).removesuffix(" <str>")
        words = getattr(parameter, "help", "") or ""
    else:
        name, words = record
    cells = (" ".join(cell.split()).replace("|", r"\|") for cell in (f"`{name}`", words))
    return f"| {' | '.join(cells)} |"


def _section(name: str, command: Any, top: Any) -> list[str]:
    """A command's part of the page."""
    context = command.make_context(name, [], parent=top, resilient_parsing=True)
    rows = [_option(parameter, context) for parameter in command.get_params(context) if parameter.name != "help"]
    table = "\n| argument or option | what it does |\n|---|---|\n" + "\n".join(rows) + "\n"
    examples = [line.strip() for line in (command.epilog or "").splitlines()[2:]]
    return [
        f"\n## {name}\n\n{' '.join((command.help or '').split())}\n",
        table if rows else "",
        f"\n```sh\n{chr(10).join(examples)}\n```\n" if examples else "",
    ]


def page() -> str:
    """The whole page as Markdown."""
    group: Any = typer.main.get_command(app)
    top = group.make_context("edgereply", [], resilient_parsing=True)
    text = [HEAD]
    for name in COMMANDS:
        command = group.get_command(top, name)
        text += _section(name, command, top)
        for under in getattr(command, "table", ()):
            text += _section(f"{name} {under}", command.get_command(top, under), top)
    return "".join(text) + FOOT


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
