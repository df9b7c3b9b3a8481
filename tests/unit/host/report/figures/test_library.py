import base64
import gzip
import hashlib
from pathlib import Path

from edgereply.report.figures import library


def test_the_library_is_the_published_one() -> None:
    content = library.unpacked_library()
    assert hashlib.sha256(content).hexdigest() == library.SHA256
    assert base64.b64decode(library.library_hash()) == hashlib.sha256(content).digest()
    assert gzip.decompress(base64.b64decode(library.packed_library())) == content
    version = library.PACKAGE.rpartition("@")[2]
    assert f"v{version}\n".encode() in content[:200]


def test_its_licence_lies_beside_it_and_goes_along() -> None:
    folder = Path(library.__file__).parent
    text = (folder / "plotly-cartesian.LICENSE").read_text("utf-8")
    assert "MIT License" in text
    assert "Permission is hereby granted" in text
    # Its own head, with the licence's name, is the first thing in the script.
    assert b"Licensed under the MIT license" in library.unpacked_library()[:300]


def test_what_is_packed_holds_no_time_and_no_name() -> None:
    head = (Path(library.__file__).with_name("plotly-cartesian.min.js.gz")).read_bytes()[:10]
    # RFC 1952, 2.3: flags, then the time of modification, little-endian.
    assert head[3] == 0
    assert head[4:8] == b"\0\0\0\0"
