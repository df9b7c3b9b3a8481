"""Writes edgereply.1 from the program's own parser: `python docs/write_man.py`. A test holds the two together."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import typer

from edgereply.cli.app import COMMANDS, app
from edgereply.version import __version__

PAGE = Path(__file__).with_name("edgereply.1")
EXIT_CODES = (
    ("0", "done"),
    ("1", "the measurement says no: a verdict that fails, a comparison beyond its limit, wires that are wrong"),
    ("2", "bad input"),
    ("3", "board, link, source or disk trouble"),
    ("130", "interrupted; what was measured is kept"),
)


def _text(words: str) -> str:
    """Words as roff takes them: backslashes, hyphens of options, and a dot or quote that begins a line."""
    words = " ".join(words.split()).replace("\\", "\\e").replace("-", "\\-")
    return re.sub(r"^([.'])", r"\\&\1", words)


def _parameter(parameter: Any, context: Any) -> list[str]:
    record = parameter.get_help_record(context)
    if record is None:
        record = parameter.make_metavar(context).removesuffix(" <str>"), getattr(parameter, "help", "") or ""
    name, words = record
    return [".TP", f".B {_text(name)}", _text(words)]


def _command(name: str, command: Any, top: Any) -> list[str]:
    context = command.make_context(name, [], parent=top, resilient_parsing=True)
    lines = [f".SS edgereply {name}", *(_text(part) for part in command.help.split("\n\n") if part.strip())]
    for parameter in command.get_params(context):
        if parameter.name != "help":
            lines += _parameter(parameter, context)
    examples = command.epilog.splitlines()[2:]
    lines += [".PP", "Examples:" if len(examples) > 1 else "Example:"]
    return [*lines, ".PP", ".nf", ".RS", *map(_text, examples), ".RE", ".fi"]


def page() -> str:
    """The whole page."""
    group: Any = typer.main.get_command(app)
    top = group.make_context("edgereply", [], resilient_parsing=True)
    lines = [
        f'.TH EDGEREPLY 1 "" "edgereply {__version__}" "User Commands"',
        ".SH NAME",
        "edgereply \\- time how long a board takes to answer an input edge",
        ".SH SYNOPSIS",
        ".B edgereply",
        ".I command",
        "[\\fIoptions\\fR]",
        ".SH DESCRIPTION",
        _text(group.help),
        ".SH COMMANDS",
    ]
    for name in COMMANDS:
        command = group.get_command(top, name)
        lines += _command(name, command, top)
        for under in getattr(command, "table", ()):
            lines += _command(f"{name} {under}", command.get_command(top, under), top)
    lines += [".SH EXIT STATUS"]
    for code, words in EXIT_CODES:
        lines += [".TP", f".B {code}", _text(words)]
    lines += [
        ".SH FILES",
        ".TP",
        ".I bench.toml",
        "The bench: boards, lines, pulse source, stimulus. Written by \\fBedgereply init\\fR.",
        ".SH NOTES",
        "Figures are evidence for a design; what a machine may rely on is decided by the standards that apply, local",
        "codes and a qualified engineer.",
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
