"""Packs the agent and the protocol into the one file that runs on a board. Imports neither as code.

Comments and docstrings stay at home: they are a quarter of the file, and a board may have little room. Everything else
keeps its line, so that a traceback from a board points into the sources.
"""

import ast
import hashlib
import importlib.util
import io
import tokenize
import zipfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from edgereply.errors import HostError

PACKAGES = ("edgereply_agent", "edgereply_protocol")
KINDS = ("*.py", "*.c")
MAIN = b"from edgereply_agent.__main__ import main\n\nraise SystemExit(main())\n"
SHEBANG = b"#!/usr/bin/env python3\n"


@dataclass(frozen=True, slots=True)
class Bundle:
    """The agent as one file: its bytes and the SHA-256 of them in hexadecimal."""

    data: bytes
    digest: str


@cache
def build_bundle() -> Bundle:
    """Pack the installed agent. The same sources give the same bytes.

    Raises:
        HostError: the agent's files are not where this program was installed.
    """
    stream = io.BytesIO(SHEBANG)
    stream.seek(0, io.SEEK_END)
    with zipfile.ZipFile(stream, "a", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for package in PACKAGES:
            root = _folder(package)
            for path in sorted(path for kind in KINDS for path in root.rglob(kind)):
                text = path.read_bytes()
                name = f"{package}/{path.relative_to(root).as_posix()}"
                _add(archive, name, without_words(text) if path.suffix == ".py" else text)
        _add(archive, "__main__.py", MAIN)
    data = stream.getvalue()
    return Bundle(data, hashlib.sha256(data).hexdigest())


def without_words(source: bytes) -> bytes:
    """A module without comments, its docstrings empty; what is left keeps its line.

    Args:
        source: of a Python module, UTF-8.
    """
    lines = source.decode("utf-8").splitlines(keepends=True)
    cuts = [
        (token.start, token.end, "")
        for token in tokenize.tokenize(io.BytesIO(source).readline)
        if token.type == tokenize.COMMENT
    ]
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node) is not None:
            word = node.body[0]
            assert word.end_lineno is not None
            assert word.end_col_offset is not None
            # Column offsets of the syntax tree count bytes, those of the tokens characters.
            start = len(lines[word.lineno - 1].encode()[: word.col_offset].decode())
            end = len(lines[word.end_lineno - 1].encode()[: word.end_col_offset].decode())
            cuts.append(((word.lineno, start), (word.end_lineno, end), '""'))
    for (first, start), (last, end), put in sorted(cuts, reverse=True):
        lines[first - 1] = lines[first - 1][:start] + put + lines[last - 1][end:]
        lines[first:last] = ["\n"] * (last - first)
    return "".join(lines).encode()


def _folder(package: str) -> Path:
    spec = importlib.util.find_spec(package)
    if spec is None or spec.origin is None:
        raise HostError(
            f"the files of {package} are missing", where="this installation", remedy="install edgereply again"
        )
    return Path(spec.origin).parent


def _add(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    archive.writestr(info, data)
