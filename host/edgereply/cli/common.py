"""Options and output that all commands share."""

import json
import shutil
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from edgereply.wording.folding import remark
from edgereply.wording.screen import ask, one_line, put, put_document

BenchOption = Annotated[
    Path, typer.Option("--bench", help="Bench file: boards, lines, source, stimulus.", metavar="FILE")
]


def _boards(ctx: typer.Context, incomplete: str) -> list[str]:
    """Boards of the bench file that a command line names, for completion; a file that is wrong has none to offer."""
    import tomllib

    try:
        boards = tomllib.loads(Path(ctx.params.get("bench") or "bench.toml").read_text(encoding="utf-8"))["board"]
        return [name for name in boards if name.startswith(incomplete)]
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        return []


BoardOption = Annotated[
    str,
    typer.Option(
        "--board", help="Board of the bench file; not needed when it has one.", metavar="BOARD", autocompletion=_boards
    ),
]
HostArgument = Annotated[
    str, typer.Argument(help="What you type after ssh; without it the bench file's board.", metavar="HOST")
]
SshConfigOption = Annotated[
    str, typer.Option(help="An ssh configuration file in place of your own, for HOST.", metavar="FILE")
]


def _heed(given: bool) -> bool:
    """Whether a bench file's programs may run is asked on a terminal, unless the answer was typed."""
    from edgereply.config.trust import consent

    consent.given = given
    consent.ask = ask if sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty() else None
    return given


TrustOption = Annotated[
    bool,
    typer.Option(
        "--trust", callback=_heed, help="The programs on this computer that the bench file names may run, from now on."
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON document on stdout, everything else on stderr.")]

WAITS = ("block", "spin")
RESPONDERS = ("agent", "floor", "external", "observe")


def choices(names: Iterable[str], several: bool = False) -> dict[str, Any]:
    """How an option is declared whose value is one of some names: help lists them, and completion knows them.

    Whether a value is one of them is checked where bench files are, so that both are refused in the same words.

    Args:
        names: the values.
        several: the option takes several, separated by commas.
    """
    known = list(names)

    def complete(incomplete: str) -> list[str]:
        before, comma, part = incomplete.rpartition(",") if several else ("", "", incomplete)
        taken = before.split(",")
        return [f"{before}{comma}{name}" for name in known if name.startswith(part) and name not in taken]

    return {"metavar": ("," if several else "|").join(known), "autocompletion": complete}


DetailsOption = Annotated[bool, typer.Option("--details", help="Say everything: all tables, notes and sentences.")]


def say(line: str) -> None:
    """One line about what is going on, to stderr; in one piece, since several boards may speak.

    On a terminal it is folded, but for what is to be copied.
    """
    line = f"· {one_line(line)}"
    sys.stdout.flush()  # where both go to one file or pipe, they stay in order
    put(remark(line), error=True)


def rows_of(lines: Sequence[str]) -> int:
    """How many rows of a terminal `say` will take for some lines; 80 columns where there is no terminal."""
    width = shutil.get_terminal_size().columns if sys.stderr.isatty() else 80
    rows = (row for line in lines for row in remark(f"· {line}", width).split("\n"))
    return sum(-(-len(row) // width) for row in rows)


def put_json(document: Mapping[str, Any]) -> None:
    """The one JSON document, to stdout."""
    utf = (sys.stdout.encoding or "utf-8").lower().startswith("utf")  # elsewhere names must not be written as others
    put_document(json.dumps(document, indent=1, ensure_ascii=not utf, allow_nan=False))


def leave(code: int) -> None:
    """End the command with an exit code."""
    raise typer.Exit(code)
