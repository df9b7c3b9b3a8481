"""Small changes of a source, found in its syntax tree and made in its text."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass

_COMPARE: dict[type[ast.cmpop], tuple[str, str]] = {
    ast.Lt: ("<", "<="), ast.LtE: ("<=", "<"), ast.Gt: (">", ">="), ast.GtE: (">=", ">"), ast.Eq: ("==", "!="),
    ast.NotEq: ("!=", "=="), ast.Is: ("is", "is not"), ast.IsNot: ("is not", "is"), ast.In: ("in", "not in"),
    ast.NotIn: ("not in", "in"),
}  # fmt: skip
_BINARY: dict[type[ast.operator], tuple[str, str]] = {
    ast.Add: ("+", "-"), ast.Sub: ("-", "+"), ast.Mult: ("*", "/"), ast.Div: ("/", "*"), ast.FloorDiv: ("//", "*"),
    ast.BitAnd: ("&", "|"), ast.BitOr: ("|", "&"), ast.LShift: ("<<", ">>"), ast.RShift: (">>", "<<"),
}  # fmt: skip
_NO_CODE = ("__all__", "__slots__", "model_config")


@dataclass(frozen=True, slots=True)
class Change:
    """One place of a text replaced.

    Attributes:
        line: counted from 1; both ends are in bytes of UTF-8 within their lines, as the syntax tree has them.
    """

    line: int
    begin: int
    end_line: int
    end: int
    old: str
    new: str

    def __str__(self) -> str:
        shown = " ".join(self.old.split())
        return f"{self.line}: {shown[:60]} -> {self.new[:60]}"

    def apply(self, text: str) -> str:
        """The text with this change."""
        lines = [line.encode() for line in text.splitlines(keepends=True)]
        first, last = lines[self.line - 1], lines[self.end_line - 1]
        lines[self.line - 1 : self.end_line] = [first[: self.begin] + self.new.encode() + last[self.end :]]
        return b"".join(lines).decode()


def changes_of(text: str) -> list[Change]:
    """All changes there are, in the order of the text. A few leave no Python, see `compiles`."""
    return sorted(
        set(_all(text, ast.parse(text))), key=lambda one: (one.line, one.begin, one.end_line, one.end, one.new)
    )


def compiles(change: Change, text: str) -> bool:
    """Whether the text with this change is Python still."""
    try:
        compile(change.apply(text), "changed", "exec", dont_inherit=True)
    except SyntaxError:
        return False
    return True


def _all(text: str, tree: ast.Module) -> Iterator[Change]:
    lines = [line.encode() for line in text.splitlines(keepends=True)]
    passive = _passive(tree)
    for node in ast.walk(tree):
        if id(node) in passive:
            continue
        if isinstance(node, ast.Compare):
            for left, operator, right in zip([node.left, *node.comparators], node.ops, node.comparators, strict=False):
                yield from _between(lines, left, right, *_COMPARE[type(operator)])
        elif isinstance(node, ast.BinOp) and type(node.op) in _BINARY:
            yield from _between(lines, node.left, node.right, *_BINARY[type(node.op)])
        elif isinstance(node, ast.BoolOp):
            words = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
            yield from _between(lines, node.values[0], node.values[1], *words)
        elif isinstance(node, ast.Constant):
            yield from _constant(lines, node)
        elif isinstance(node, ast.If | ast.While | ast.IfExp):
            yield _replaced(lines, node.test, f"not ({_text(lines, node.test)})")
        elif isinstance(node, ast.Return) and node.value is not None and not _is_none(node.value):
            yield _replaced(lines, node.value, "None")
        elif isinstance(node, ast.Raise | ast.AugAssign) or (
            isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)
        ):
            yield _replaced(lines, node, "pass")


def _passive(tree: ast.Module) -> set[int]:
    """Nodes whose change tells nothing of the tests: notes of types, texts of messages, documentation."""
    found: set[int] = set()
    for node in ast.walk(tree):
        parts: list[ast.AST] = []
        if isinstance(node, ast.arg | ast.AnnAssign) and node.annotation is not None:
            parts.append(node.annotation)
        if isinstance(node, ast.FunctionDef) and node.returns is not None:
            parts.append(node.returns)
        if isinstance(node, ast.Assign) and any(getattr(target, "id", "") in _NO_CODE for target in node.targets):
            parts.append(node)
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
            parts.append(node)
        for part in parts:
            found |= {id(inner) for inner in ast.walk(part)}
    return found


def _constant(lines: list[bytes], node: ast.Constant) -> Iterator[Change]:
    if isinstance(node.value, bool):
        yield _replaced(lines, node, str(not node.value))
    elif isinstance(node.value, int):
        yield _replaced(lines, node, str(node.value + 1))
    elif isinstance(node.value, float):
        yield _replaced(lines, node, repr(node.value * 2.0 if node.value else 1.0))


def _between(lines: list[bytes], left: ast.expr, right: ast.expr, old: str, new: str) -> Iterator[Change]:
    """The operator between two operands, where it stands on the line of the left one's end."""
    assert left.end_lineno is not None
    assert left.end_col_offset is not None
    line, begin = left.end_lineno, left.end_col_offset
    end = right.col_offset if right.lineno == line else len(lines[line - 1])
    at = lines[line - 1].find(old.encode(), begin, end)
    if at >= 0:
        yield Change(line, at, line, at + len(old.encode()), f"{_whole(lines, left)} {old} …", f"{new}")


def _whole(lines: list[bytes], node: ast.expr) -> str:
    return " ".join(_text(lines, node).split())[-40:]


def _text(lines: list[bytes], node: ast.AST) -> str:
    begin_line, begin, end_line, end = _place(node)
    if begin_line == end_line:
        return lines[begin_line - 1][begin:end].decode()
    middle = lines[begin_line : end_line - 1]
    return b"".join([lines[begin_line - 1][begin:], *middle, lines[end_line - 1][:end]]).decode()


def _replaced(lines: list[bytes], node: ast.AST, new: str) -> Change:
    begin_line, begin, end_line, end = _place(node)
    return Change(begin_line, begin, end_line, end, _text(lines, node), new)


def _place(node: ast.AST) -> tuple[int, int, int, int]:
    place = (node.lineno, node.col_offset, node.end_lineno, node.end_col_offset)  # type: ignore[attr-defined]
    return (int(place[0]), int(place[1]), int(place[2]), int(place[3]))


def _is_none(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value is None
