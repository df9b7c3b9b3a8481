"""TOML files are read with limits."""

from pathlib import Path

import pytest

from edgereply.config.toml_file import LONGEST_LINE, MOST_BYTES, read_toml
from edgereply.errors import SettingError


def read(place: Path, data: bytes) -> object:
    path = place / "some.toml"
    path.write_bytes(data)
    return read_toml(path, "bench file", "name it")


def test_an_ordinary_file_is_read(tmp_path: Path) -> None:
    assert read(tmp_path, b"a.b = 1\r\nc = 'x'\n") == {"a": {"b": 1}, "c": "x"}
    assert read(tmp_path, b"") == {}


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"#" * MOST_BYTES + b"#", "larger than 64 KiB"),
        (b"a" + b".b" * LONGEST_LINE + b" = 1", "line of more than 1000"),
        (b"a = " + b"[" * 900, "not TOML"),
        (b"a = 1\na = 2", "not TOML"),
        (b"a = '\xff'", "not TOML"),
    ],
)
def test_what_would_take_long_or_is_wrong_is_refused(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(SettingError, match=words) as caught:
        read(tmp_path, data)
    assert str(tmp_path) in caught.value.where


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="cannot be read") as caught:
        read_toml(tmp_path / "none.toml", "bench file", "name it")
    assert caught.value.remedy == "name it"
