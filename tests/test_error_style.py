"""Errors speak in one style: "edgereply: what went wrong", lower case, without a full stop, whatever module says it.

Read from the sources: the text of every error that is raised, and what it tells to do. Words that have capitals of
their own (USB, CTS, IEEE 488.2) may stand first.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TREES = ("agent/edgereply_agent", "host/edgereply", "protocol/edgereply_protocol")
_RAISES = re.compile(r"(?:Error|error|Fault)$")
_CAPITAL = re.compile(r"[A-Z][a-z]")
_SENTENCES = re.compile(r"[a-z)]\. [A-Z]")


def texts(node: ast.expr) -> Iterator[str]:
    """The texts an argument may be; {} stands for what is only known when it happens."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.JoinedStr):
        yield "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values)
    elif isinstance(node, ast.IfExp):
        yield from texts(node.body)
        yield from texts(node.orelse)
    elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        for left in texts(node.left):
            for right in texts(node.right):
                yield left + right


def said(source: str) -> list[tuple[int, str]]:
    """Line and text of everything that a call of an error's class, or of a function that makes one, is given."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        if _RAISES.search(name):
            arguments = [*node.args, *(keyword.value for keyword in node.keywords)]
            found += [(node.lineno, text) for argument in arguments for text in texts(argument) if _words(text)]
    return found


def _words(text: str) -> bool:
    """Whether it is a message; a single word is the name of a setting or a file."""
    return " " in text or text.endswith("{}.")


def wrong(text: str) -> str:
    """What is not in the style; "" where it is."""
    if _CAPITAL.match(text):
        return "starts with a capital"
    if text.rstrip().endswith(".") and not text.endswith("..."):
        return "ends with a full stop"
    return "has several sentences" if _SENTENCES.search(text) else ""


def test_errors_speak_in_one_style() -> None:
    problems, count = [], 0
    for tree in TREES:
        for path in sorted((ROOT / tree).rglob("*.py")):
            for line, text in said(path.read_text("utf-8")):
                count += 1
                if why := wrong(text):
                    problems.append(f"{path.relative_to(ROOT)}:{line} {why}: {text}")
    assert count > 500, "nothing is read any more"
    assert not problems, "\n" + "\n".join(problems)


@pytest.mark.parametrize(
    ("source", "why"),
    [
        ("raise SettingError('the port is gone.')", "ends with a full stop"),
        ("raise SettingError('The port is gone')", "starts with a capital"),
        ("raise SettingError('x y', where='z', remedy='Plug it in')", "starts with a capital"),
        ("raise SettingError(f'{port} is gone.', 'a', f'plug {port} in')", "ends with a full stop"),
        ("raise _opening_error('a b' if c else 'It broke')", "starts with a capital"),
        ("raise SettingError('it ' + f'{x} broke.')", "ends with a full stop"),
        ("raise SettingError('it broke. Mend it')", "has several sentences"),
        ("raise SettingError(f'{error}.')", "ends with a full stop"),
    ],
)
def test_another_style_is_seen(source: str, why: str) -> None:
    assert [found for _, text in said(source) if (found := wrong(text))] == [why]


@pytest.mark.parametrize("text", ["USB took no bytes", "{} is gone", "give 0.95, or 1e-5", "it said {}...", "e.g. a b"])
def test_the_style_is_allowed(text: str) -> None:
    assert wrong(text) == ""
