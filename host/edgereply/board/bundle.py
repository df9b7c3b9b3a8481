"""Packs the agent and the protocol into the one file that runs on a board. Imports neither as code."""

import hashlib
import importlib.util
import io
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
                _add(archive, f"{package}/{path.relative_to(root).as_posix()}", path.read_bytes())
        _add(archive, "__main__.py", MAIN)
    data = stream.getvalue()
    return Bundle(data, hashlib.sha256(data).hexdigest())


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
