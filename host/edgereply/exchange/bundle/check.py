"""Is a bundle what it says: files by their checksums, summaries computed again from the raw stamps."""

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from edgereply.config.validation import explain_validation
from edgereply.errors import DataError, HostError
from edgereply.evaluation.load_view import summed_up
from edgereply.exchange.bundle.manifest import FORMAT, MANIFEST, Manifest, describe
from edgereply.exchange.bundle.unpack import unpack
from edgereply.storage.formats import refuse_newer
from edgereply.storage.run_reader import RunReader
from edgereply.system.digest import sha256_of

MOST_MANIFEST_BYTES = 16 << 20
RELATIVE = 1e-9
MOST_SHOWN = 20


@dataclass(frozen=True, slots=True)
class RunCheck:
    """A run's summary against the one computed from its stamps; `differences` in words, empty where it matches."""

    run: str
    stimuli: int
    evidence: str
    virtual: bool
    differences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Check:
    """Outcome of a verification.

    Attributes:
        bundle: the archive.
        sha256: of the whole archive: what to publish beside it.
        tool: that made it.
        files: how many were checked.
        wrong: files altered, missing or not listed, in words.
        runs: each run.
    """

    bundle: str
    sha256: str
    tool: str
    files: int
    wrong: tuple[str, ...]
    runs: tuple[RunCheck, ...]

    @property
    def matches(self) -> bool:
        """True where every file is as listed and every summary is what its stamps give."""
        return bool(self.runs) and not self.wrong and not any(run.differences for run in self.runs)

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {"matches": self.matches, **asdict(self)}


def verify(archive: Path, directory: Path, say: Callable[[str], None]) -> Check:
    """Unpack a bundle and check it.

    Args:
        archive: a bundle, not trusted.
        directory: an empty directory to unpack into.
        say: is told how far it is.

    Raises:
        DataError: not a bundle, damaged beyond reading, or made to do harm.
        StoreError: no room to unpack.
    """
    names = unpack(archive, directory)
    digest = sha256_of(archive)
    manifest = _manifest(directory / MANIFEST, archive)
    wrong = _wrong_files(manifest, directory, names)
    runs = sorted(path.parent for path in directory.glob("runs/*/run.json"))
    checks = []
    for number, run in enumerate(runs, 1):
        say(f"run {number} of {len(runs)}: {run.name}")
        checks.append(check_run(run))
    return Check(str(archive), digest, manifest.tool, len(names) - 1, tuple(wrong), tuple(checks))


def check_run(directory: Path) -> RunCheck:
    """Compute a run's summary again and compare. What cannot be read is a difference too.

    Power, temperature and load of the board (`context`) are not in the stamps: the summary's copy must be the record's.
    """
    try:
        reader = RunReader(directory)
        record = reader.record
        result = summed_up(reader, record.deadline_ns, "by_pieces" in record.summary)
    except HostError as error:
        return RunCheck(directory.name, 0, "", False, (f"cannot be read: {error.message}",))
    computed = result.summary(record.virtual) | {"context": record.context}
    found = differences(record.summary, computed) if record.summary else ["no summary was recorded"]
    for name in ("stimuli", "reaction", "evidence"):
        if record.summary and name not in record.summary:
            found.append(f"{name}: not recorded")
    return RunCheck(
        directory.name, computed["stimuli"], result.evidence, record.virtual, tuple(found[:MOST_SHOWN])
    )  # fmt: skip


def differences(recorded: Any, computed: Any, where: str = "") -> list[str]:
    """What is recorded and not computed so, in words: whole numbers and words exactly, means to nine digits.

    Figures that are computed and were not recorded (an earlier version's summary) are no difference.
    """
    if isinstance(recorded, dict) and isinstance(computed, dict):
        return [
            line
            for key, value in recorded.items()
            for line in (
                differences(value, computed[key], f"{where}.{key}" if where else str(key))
                if key in computed
                else [f"{where}.{key}: recorded, not computed".lstrip(".")]
            )
        ]
    if isinstance(recorded, list) and isinstance(computed, list | tuple) and len(recorded) == len(computed):
        pairs = enumerate(zip(recorded, computed, strict=True))
        return [line for index, (one, other) in pairs for line in differences(one, other, f"{where}[{index}]")]
    return (
        [] if _same(recorded, computed) else [f"{where}: recorded {str(recorded)[:60]}, computed {str(computed)[:60]}"]
    )


def _same(recorded: Any, computed: Any) -> bool:
    if isinstance(recorded, float) and isinstance(computed, float):
        return math.isclose(recorded, computed, rel_tol=RELATIVE)
    return type(recorded) is type(computed) and bool(recorded == computed)


def _manifest(path: Path, archive: Path) -> Manifest:
    try:
        if path.stat().st_size > MOST_MANIFEST_BYTES:
            raise DataError("its manifest is too large", where=str(archive), remedy="get the bundle again")
        text = path.read_bytes()
        refuse_newer(text, FORMAT, "the bundle", str(archive))
        return Manifest.model_validate_json(text)
    except ValidationError as error:
        raise DataError(
            "its manifest is damaged: " + "; ".join(explain_validation(error)[:3]),
            where=str(archive),
            remedy="get the bundle again from where it came",
        ) from error


def _wrong_files(manifest: Manifest, directory: Path, names: list[str]) -> list[str]:
    listed = {entry.name: entry for entry in manifest.files}
    present = set(names) - {MANIFEST}
    wrong = [f"{name}: missing" for name in sorted(set(listed) - present)]
    wrong += [f"{name}: not in the manifest" for name in sorted(present - set(listed))]
    for name in sorted(present & set(listed)):
        if describe(directory, directory / name) != listed[name]:
            wrong.append(f"{name}: altered since the bundle was made")
    return wrong
