"""What travels to a board: the same program as here, on the same lines, without the words around it."""

import ast
from pathlib import Path

import pytest

from edgereply.board.bundle import without_words

ROOT = Path(__file__).parents[4]
MODULES = sorted([*(ROOT / "agent").rglob("*.py"), *(ROOT / "protocol").rglob("*.py")])


def program(source: bytes) -> list[tuple[str, int, object]]:
    """Every node with its line and its value; docstrings are left out."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node) is not None:
            word = node.body[0]
            assert isinstance(word, ast.Expr)
            assert isinstance(word.value, ast.Constant)
            word.value.value = ""
    return [
        (type(node).__name__, getattr(node, "lineno", 0), getattr(node, "value", None))
        if isinstance(node, ast.Constant)
        else (type(node).__name__, getattr(node, "lineno", 0), getattr(node, "id", getattr(node, "name", None)))
        for node in ast.walk(tree)
    ]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_the_program_and_its_lines_stay(path: Path) -> None:
    source = path.read_bytes()
    bare = without_words(source)
    assert program(bare) == program(source)
    assert bare.count(b"\n") == source.count(b"\n")
    assert len(bare) <= len(source)


def test_words_go_and_strings_stay() -> None:
    source = (
        'def f(x):\n    """Says µ\n    more."""\n    # why\n'
        '    y = "# no comment"  # but this\n    return """a  \n  b""" + y\n'
    )
    assert without_words(source.encode()).decode() == (
        'def f(x):\n    ""\n\n    \n    y = "# no comment"  \n    return """a  \n  b""" + y\n'
    )


def test_code_behind_a_docstring_on_its_line_stays() -> None:
    assert without_words('def f(): "µ"; return 1\n'.encode()).decode() == 'def f(): ""; return 1\n'
