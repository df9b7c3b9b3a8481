"""Nothing is printed but through `wording/screen.py` and the consoles of `report/terminal/console.py`.

What a board, a source or a file said may stand in any line; one forgotten `print` and a terminal would obey it.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HOST = ROOT / "host/edgereply"
# What may print by itself, and why.
MAY = {
    "wording/screen.py": "the gate",
    "report/terminal/console.py": "rich's consoles, behind the gate",
    "board/remote_boot.py": "runs on the board; its stdout is a link",
    "sources/simulator/__main__.py": "its stdout is a pipe that is read by this program, JSON in ASCII",
}
STREAMS = {"stdout", "stderr", "__stdout__", "__stderr__"}
# What may be asked of a stream elsewhere: nothing of it writes text.
ASKED = {"isatty", "flush", "encoding", "fileno"}
PRINTING = {"print", "breakpoint", "input", "Console", "rich_print", "pprint"}
MODULES = {"logging", "pprint", "click", "curses", "readline", "syslog"}
METHODS = {
    "echo",
    "secho",
    "confirm",
    "prompt",
    "progressbar",
    "print_exc",
    "print_exception",
    "print_stack",
    "warn",
    "getpass",
}
# Only a stream that is passed on to another program, or reconfigured before anything is printed.
PASSED_ON = {"report/figures/library.py": "npm's own words, when the library is fetched anew",
             "wording/ascii_output.py": "what is written where a character is lacking"}  # fmt: skip


def printing(path: str, source: str) -> Iterator[str]:
    """Every place of a module from which text could leave past the gate."""
    tree = ast.parse(source)
    asked = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Attribute) and node.attr in ASKED}
    for node in ast.walk(tree):
        line = f"{path}:{getattr(node, 'lineno', 0)}"
        yield from (f"{line} {what}" for what in _taken(node))
        if isinstance(node, ast.Attribute) and node.attr in STREAMS and id(node) not in asked:
            if getattr(node.value, "id", "") == "sys" and path not in PASSED_ON:
                yield f"{line} takes sys.{node.attr}"
        elif isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            if isinstance(node.func, ast.Name) and name in PRINTING:
                yield f"{line} calls {name}"
            if isinstance(node.func, ast.Attribute) and (name in METHODS or name == "Console"):
                yield f"{line} calls .{name}"
        elif isinstance(node, ast.ClassDef):
            bases = [getattr(base, "attr", getattr(base, "id", "")) for base in node.bases]
            yield from (f"{line} makes a console of its own" for base in bases if base == "Console")


def _taken(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Import):
        yield from (f"has {item.name}" for item in node.names if item.name.split(".")[0] in MODULES)
    elif isinstance(node, ast.ImportFrom):
        if (node.module or "").split(".")[0] in MODULES:
            yield f"has {node.module}"
        if node.module == "sys":
            yield "takes names out of sys"
        if (node.module or "").startswith("rich") and {item.name for item in node.names} & {"print", "get_console"}:
            yield "takes rich's own console"


def test_nothing_is_printed_past_the_gate() -> None:
    found: list[str] = []
    for path in sorted(HOST.rglob("*.py")):
        name = path.relative_to(HOST).as_posix()
        if name not in MAY:
            found += printing(name, path.read_text("utf-8"))
    assert not found, "\n".join(found)


def test_whoever_may_print_is_there_and_prints() -> None:
    """An exception that nothing needs any more would let the next one through."""
    assert all(list(printing(name, (HOST / name).read_text("utf-8"))) for name in MAY)
    for name in PASSED_ON:
        assert "sys.stderr" in (HOST / name).read_text("utf-8")


@pytest.mark.parametrize(
    "line",
    [
        "print('x')", "import sys; sys.stdout.write('x')", "import sys; out = sys.stderr", "from sys import stderr",
        "import sys; sys.stdout.buffer.write(b'x')", "typer.echo('x')", "from rich.console import Console; Console()",
        "import rich.console; rich.console.Console()", "import logging", "from rich import print", "typer.confirm('x')",
        "warnings.warn('x')", "traceback.print_exc()", "import sys; print('x', file=sys.stderr)",
        "import sys; sys.__stderr__.write('x')", "class Mine(Console): pass",
    ],
)  # fmt: skip
def test_every_way_around_is_seen(line: str) -> None:
    assert list(printing("cli/new.py", line))


def test_what_only_asks_is_let_alone() -> None:
    harmless = "import sys\nif sys.stdout.isatty():\n    sys.stderr.flush()\nsys.stdout.fileno()\nfile.write('x')\n"
    assert not list(printing("cli/new.py", harmless))
