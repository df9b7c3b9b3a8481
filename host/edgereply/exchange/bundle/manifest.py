"""What a bundle holds: the names it may have inside, and its manifest."""

import re
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from edgereply.system.digest import sha256_of

FORMAT = 1
MANIFEST, README, REPORT, SERIES = "manifest.json", "README.txt", "report.html", "runs/series.json"
RUN_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+-]{0,119}")
_RUN_FILES = r"(?:run\.json|context\.jsonl|(?:stamps|board|observed)/part-\d{5,9}\.parquet)"
ALLOWED = re.compile(
    rf"(?:manifest\.json|README\.txt|report\.html|runs/series\.json|runs/{RUN_NAME.pattern}/{_RUN_FILES})"
)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class FileEntry(_Strict):
    """A file of the bundle but the manifest itself."""

    name: str = Field(max_length=300)
    bytes: int = Field(ge=0)
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")


class RedactedEntry(_Strict):
    """What stands in place of a name, of what kind it was, and in how many places it stood."""

    placeholder: str
    kind: str
    places: int


class Manifest(_Strict):
    """Everything in the archive. Checksums show damage; whoever changes a file on purpose can change them too."""

    format: int = FORMAT
    tool: str
    files: list[FileEntry]
    redacted: list[RedactedEntry] = []
    kept: list[str] = []
    notes: list[str] = []


def describe(root: Path, path: Path) -> FileEntry:
    """A file below a directory, by its name there."""
    return FileEntry(name=path.relative_to(root).as_posix(), bytes=path.stat().st_size, sha256=sha256_of(path))
