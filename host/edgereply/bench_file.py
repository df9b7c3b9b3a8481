"""The bench file read and checked against its settings, whatever is wrong told with its remedy."""

from pathlib import Path
from typing import Any

from pydantic import ValidationError

from edgereply.errors import SettingError
from edgereply.settings import Bench
from edgereply.toml_file import read_toml
from edgereply.wrong_keys import explain_validation

MISSING = (
    "give its path with --bench, or write one: a dozen lines, shown in docs/first-afternoon.md; without hardware, "
    "'edgereply demo' writes edgereply-demo/bench.toml"
)


def parse_bench(data: dict[str, Any], where: str) -> Bench:
    """Check the contents of a bench file.

    Raises:
        SettingError: each offending key with its value and what is allowed.
    """
    try:
        return Bench.model_validate(data)
    except ValidationError as error:
        raise SettingError(
            "the settings do not hold together:\n"
            + "\n".join(f"  {line}" for line in explain_validation(error, Bench)),
            where=where,
            remedy="correct the keys named above",
        ) from error


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
