"""The page's drawing library: plotly.js, the part of it with plain x and y axes, as published and unaltered.

It lies here compressed (`plotly-cartesian.min.js.gz`, MIT licence beside it) and goes into the page as it lies here, as
text; the page's script unpacks it and runs it by its hash, so a page needs no network and holds a third of the bytes.
A newer version: change `PACKAGE` and `SHA256`, then `python -m edgereply.report.figures.library`; it asks the package
registry, through its ordinary client `npm`, for that one package and refuses one with another hash.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path
from typing import Final

PACKAGE: Final = "plotly.js-cartesian-dist-min@4.1.1"
SHA256: Final = "79542150855a52c567260e3137095dbe2b744e6d702a5cabe67da246942fba7a"
_PACKED: Final = Path(__file__).with_name("plotly-cartesian.min.js.gz")
_LICENSE: Final = Path(__file__).with_name("plotly-cartesian.LICENSE")
_INSIDE: Final = {"package/plotly-cartesian.min.js": _PACKED, "package/LICENSE": _LICENSE}


def packed_library() -> str:
    """The library for the page: compressed, as base64."""
    return base64.b64encode(_PACKED.read_bytes()).decode()


def library_hash() -> str:
    """Base64 of the SHA-256 of the unpacked library, as a content policy names it."""
    return base64.b64encode(bytes.fromhex(SHA256)).decode()


def unpacked_library() -> bytes:
    """The library as it is published."""
    return gzip.decompress(_PACKED.read_bytes())


def renew() -> None:
    """Fetch the library of `PACKAGE` and put it here; refuses another one than `SHA256` says."""
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        subprocess.run(["npm", "pack", "--silent", PACKAGE], cwd=place, check=True, timeout=300, stdout=sys.stderr)
        [archive] = place.glob("*.tgz")
        with tarfile.open(archive) as members:
            for inside, target in _INSIDE.items():
                member = members.extractfile(inside)
                if member is None:
                    raise SystemExit(f"{PACKAGE} has no {inside}")
                content = member.read()
                if target is _PACKED:
                    found = hashlib.sha256(content).hexdigest()
                    if found != SHA256:
                        raise SystemExit(
                            f"{PACKAGE} has the hash {found}, expected {SHA256}: set SHA256 once it is checked"
                        )
                    # No time and no name in it: the same library gives the same file.
                    content = gzip.compress(content, 9, mtime=0)
                target.write_bytes(content)


if __name__ == "__main__":
    renew()
