"""Size, age and cleanliness of the tree."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

from edgereply.board.bundle import build_bundle

ROOT = Path(__file__).parents[1]
PACKAGES = ("agent/edgereply_agent", "host/edgereply", "protocol/edgereply_protocol")
ON_THE_BOARD = (PACKAGES[0], PACKAGES[2])
MOST_BUNDLE_BYTES = 100_000
# What only makes sense on the computer of whoever wrote it, and what a merge or a hurry leaves behind.
UNWANTED = {
    "a home directory": re.compile(rb"/(?:home|Users)/[A-Za-z]\w*/"),
    "a merge conflict": re.compile(rb"^(?:<{7} |>{7} |={7}$)", re.MULTILINE),
    "a private key": re.compile(rb"-----BEGIN (?:\w+ )*PRIVATE KEY-----"),
    "a note of something left undone": re.compile(rb"\b(?:TO" + rb"DO|FIX" + rb"ME|XX" + rb"X)\b"),
}
# Places that anybody may have cloned into, and that files may name.
ANYBODYS = ("/", "/tmp", "/var/tmp", "/opt", "/srv", "/root", "/home", "/usr/src")


def modules(*packages: str) -> list[Path]:
    return [path for package in packages for path in sorted((ROOT / package).rglob("*.py"))]


def tracked() -> list[Path]:
    """Files under version control, or every file where there is none (an unpacked archive)."""
    if (ROOT / ".git").exists():
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True, timeout=60)
        paths = [ROOT / name.decode() for name in listed.stdout.split(b"\0") if name]
    else:
        paths = [path for path in ROOT.rglob("*") if not any(part.startswith(".") for part in path.parts)]
    return [path for path in paths if path.is_file()]


def unwanted_in(data: bytes, place: Path = ROOT.parent) -> list[str]:
    """What should not be there; `place` is where the tree lies."""
    patterns = dict(UNWANTED)
    if str(place) not in ANYBODYS:
        patterns["the place it was written"] = re.compile(rb"(?<![\w.])" + re.escape(bytes(place)) + rb"/")
    if b"\0" in data:  # a picture or an archive, whose bytes are no words
        del patterns["a note of something left undone"]
    return [what for what, pattern in patterns.items() if pattern.search(data)]


def test_the_bundle_for_the_board_is_small() -> None:
    assert len(build_bundle().data) <= MOST_BUNDLE_BYTES


@pytest.mark.parametrize("package", PACKAGES)
def test_every_package_says_it_is_typed(package: str) -> None:
    assert (ROOT / package / "__init__.py").is_file()
    assert (ROOT / package / "py.typed").is_file()


def test_nothing_of_one_workplace_is_committed() -> None:
    found = {str(path.relative_to(ROOT)): unwanted_in(path.read_bytes()) for path in tracked()}
    assert "tests/test_tree.py" in found
    assert {path: what for path, what in found.items() if what} == {}


@pytest.mark.parametrize(
    "text",
    [
        "see /home/" + "someone/run.json",
        "<" * 7 + " HEAD",
        "-----BEGIN OPENSSH " + "PRIVATE KEY-----",
        "# TO" + "DO",
    ],
)
def test_unwanted_text_is_seen(text: str) -> None:
    assert unwanted_in(f"first\n{text}\nlast".encode())


def test_the_place_of_the_tree_is_seen_where_it_is_somebodys_own() -> None:
    text = b"path = '/data/bench/notes'"
    assert unwanted_in(text, Path("/data/bench"))
    assert not unwanted_in(text, Path("/data/other"))
    assert not unwanted_in(b"path = '/srv/notes'", Path("/srv"))


def test_the_board_needs_python_3_9_and_no_later() -> None:
    for path in modules(*ON_THE_BOARD):
        ast.parse(path.read_bytes(), str(path), feature_version=(3, 9))
    done = vermin(*(ROOT / package for package in ON_THE_BOARD))
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize(
    ("source", "since"),
    [
        ("match 1:\n    case _:\n        pass\n", "3.10"),
        ("zip('', strict=True)\n", "3.10"),
        ("from dataclasses import dataclass\n@dataclass(slots=True)\nclass A:\n    x: int\n", "3.10"),
        ("import tomllib\n", "3.11"),
    ],
)
def test_later_python_is_seen(source: str, since: str, tmp_path: Path) -> None:
    (tmp_path / "later.py").write_text(source)
    done = vermin(tmp_path)
    assert done.returncode != 0
    assert since in done.stdout, done.stdout + done.stderr


def unions_at_run_time(source: str) -> list[int]:
    """Lines where `X | Y` of types would be evaluated, which Python 3.9 cannot; vermin does not see them."""
    tree = ast.parse(source)
    notes: list[ast.AST | None] = []
    if "annotations" in {
        alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module == "__future__"
        for alias in node.names
    }:
        for node in ast.walk(tree):
            notes += [getattr(node, "annotation", None), getattr(node, "returns", None)]
    unread = {inner for note in notes if note for inner in ast.walk(note)}
    return [
        node.lineno
        for node in ast.walk(tree)
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.BitOr) and node not in unread
        if any(map(_is_type, (node.left, node.right)))
    ]


def _is_type(node: ast.expr) -> bool:
    if isinstance(node, ast.Subscript):
        node = node.value
    return ast.unparse(node) in ("None", "int", "str", "bytes", "bool", "float", "list", "dict", "tuple", "set", "type")


def test_no_union_of_types_is_evaluated_on_the_board() -> None:
    found = {str(path.relative_to(ROOT)): unions_at_run_time(path.read_text()) for path in modules(*ON_THE_BOARD)}
    assert {path: lines for path, lines in found.items() if lines} == {}


@pytest.mark.parametrize(
    ("source", "lines"),
    [
        ("Number = int | None", [1]),
        ("x = isinstance(y, int | str)", [1]),
        ("\ndef f(x: dict[str, int] | None) -> int | None: ...", [2, 2]),
        ("from __future__ import annotations\ndef f(x: int | None = None) -> str | None: ...", []),
        ("from __future__ import annotations\nx: int | None = a | b\ny = list[int] | None", [3]),
        ("flags = os.O_RDWR | os.O_CREAT", []),
    ],
)
def test_unions_of_types_are_seen(source: str, lines: list[int]) -> None:
    assert unions_at_run_time(source) == lines


def vermin(*paths: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "import vermin; vermin.main()", "-t=3.9-", "--no-tips", "--violations"]
    return subprocess.run([*command, *map(str, paths)], capture_output=True, text=True, timeout=120)
