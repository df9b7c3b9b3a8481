"""The bench file read and checked against its settings, whatever is wrong told with its remedy."""

from pathlib import Path
from typing import Any

from edgereply.config.settings import Bench
from edgereply.config.toml_file import read_toml
from edgereply.config.validation import checked

MISSING = (
    "give its path with --bench, or write one: a dozen lines, see 'A first afternoon' in the documentation; "
    "without hardware, 'edgereply demo' writes edgereply-demo/bench.toml"
)


def parse_bench(data: dict[str, Any], where: str) -> Bench:
    """Check the contents of a bench file.

    Raises:
        SettingError: each offending key with its value and what is allowed.
    """
    return checked(Bench, data, "bench file", where)


def read_bench(path: Path) -> dict[str, Any]:
    """Contents of a bench file (TOML), not checked yet.

    Raises:
        SettingError: unreadable, or not TOML (with line and column).
    """
    return read_toml(path, "bench file", MISSING)


def load_bench(path: Path) -> Bench:
    """Read and check a bench file.

    Raises:
        SettingError: unreadable, not TOML, or wrong settings.
    """
    return parse_bench(read_bench(path), str(path))
