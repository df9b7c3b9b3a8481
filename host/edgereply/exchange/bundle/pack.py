"""Runs into one archive: the same runs, options and program give the same bytes."""

import json
import shutil
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from edgereply.errors import SettingError
from edgereply.evaluation.load_view import evaluate_run, make_view, pool_views
from edgereply.evaluation.run_view import RunView
from edgereply.exchange.bundle.check import differences
from edgereply.exchange.bundle.collect import Chosen, redacted_record
from edgereply.exchange.bundle.manifest import (
    ALLOWED,
    MANIFEST,
    README,
    REPORT,
    SERIES,
    Manifest,
    RedactedEntry,
    describe,
)
from edgereply.exchange.bundle.redact import Redactor
from edgereply.exchange.bundle.unpack import LIMITS
from edgereply.exchange.export.target import new_file
from edgereply.report.document import write_page
from edgereply.report.material import judge_view
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import CONTEXT
from edgereply.storage.series_record import SeriesRecord
from edgereply.version import TOOL

SENTENCES = """How long a board takes to answer an input edge, measured: raw stamps, conditions, environment, report.

runs/NAME/run.json      conditions requested and in effect, environment, counts, summary
runs/NAME/stamps/       the pulse source's clock, integer nanoseconds (Parquet)
runs/NAME/board/        the board's clock (or observed/, edge by edge), integer nanoseconds (Parquet)
runs/NAME/trace/        events of the board's kernel beside late answers, its clock, where they were recorded (Parquet)
runs/NAME/context.jsonl the board's counters about each second, where it has them
report.html             the page made from them; opens offline
manifest.json           every file with its SHA-256, and what was redacted

Compute the summaries again from the raw stamps, and compare:

    edgereply bundle --verify THIS_FILE

Checksums show damage, not intent: whoever changes a file on purpose can change its checksum too. A redacted name has
the same placeholder wherever it stood. {virtual}These figures are evidence for a design, not a safety certification:
where people or plant depend on a reaction time, the standards that apply, local codes and a qualified engineer decide.
"""
VIRTUAL = "Some of these runs are VIRTUAL: their times say nothing about hardware. "
_PARTS = "*/part-*.parquet"
_BESIDE_PARTS = 3
_ZIP_DATE = (1980, 1, 1, 0, 0, 0)
_MODE = 0o100644 << 16


@dataclass(frozen=True, slots=True)
class Staged:
    """A bundle's files, laid out in a directory, and its manifest."""

    root: Path
    manifest: Manifest


def stage(chosen: Chosen, redactor: Redactor, root: Path, say: Callable[[str], None]) -> Staged:
    """Lay out what goes in, in an empty directory.

    Raises:
        DataError: a run is damaged.
        SettingError: a name taken out broke a record, or there are more files than a bundle may have.
    """
    _check_number(chosen)
    notes: list[str] = []
    views: dict[str, RunView] = {}
    for number, (name, reader) in enumerate(chosen.runs.items(), 1):
        say(f"run {number} of {len(chosen.runs)}: {name}")
        views[name] = _stage_run(name, reader, redactor, root, notes)
    if chosen.series is not None:
        series = redactor.document(chosen.series.model_dump(mode="json"))
        _write_json(root / SERIES, SeriesRecord.model_validate(series).model_dump(mode="json"))
    write_page(_columns(chosen, views), root / REPORT)
    virtual = VIRTUAL if any(view.virtual for view in views.values()) else ""
    (root / README).write_text(SENTENCES.replace("{virtual}", virtual), encoding="utf-8")
    manifest = Manifest(
        tool=TOOL,
        files=[describe(root, path) for path in sorted(root.rglob("*")) if path.is_file()],
        redacted=[
            RedactedEntry(placeholder=found.placeholder, kind=found.kind, places=found.places)
            for found in redactor.redactions
            if not found.kept
        ],
        kept=sorted({found.kind for found in redactor.redactions if found.kept}),
        notes=notes,
    )
    _write_json(root / MANIFEST, manifest.model_dump(mode="json"))
    return Staged(root, manifest)


def _check_number(chosen: Chosen) -> None:
    parts = {reader.directory: sum(1 for _ in reader.directory.glob(_PARTS)) for reader in chosen.runs.values()}
    files = sum(parts.values()) + _BESIDE_PARTS * (len(parts) + 1)
    if files > LIMITS.files:
        raise SettingError(
            f"the bundle would have some {files:,} files, and one of more than {LIMITS.files:,} is not read back",
            where=str(max(parts, key=parts.__getitem__)),
            remedy="bundle fewer runs at a time; hand a single one on as the directory that it is",
        )


def write_archive(staged: Staged, output: Path) -> None:
    """Write the archive.

    Raises:
        SettingError: something of that name is there, or it would be larger than 4 GiB.
        StoreError: it cannot be written; nothing of it is left.
    """
    names = [MANIFEST, *(entry.name for entry in staged.manifest.files)]
    with new_file(output) as partial:
        try:
            with zipfile.ZipFile(partial, "w", allowZip64=False) as archive:
                for name in names:
                    _add(archive, staged.root / name, name)
        except zipfile.LargeZipFile as error:
            raise SettingError(
                "the bundle would be larger than 4 GiB", where=str(output), remedy="bundle fewer runs at a time"
            ) from error


def _add(archive: zipfile.ZipFile, path: Path, name: str) -> None:
    info = zipfile.ZipInfo(name, _ZIP_DATE)
    info.create_system, info.external_attr = 3, _MODE
    info.compress_type = zipfile.ZIP_STORED if path.suffix == ".parquet" else zipfile.ZIP_DEFLATED
    info.file_size = path.stat().st_size
    with path.open("rb") as source, archive.open(info, "w") as target:
        shutil.copyfileobj(source, target, 1 << 20)


def _stage_run(name: str, reader: RunReader, redactor: Redactor, root: Path, notes: list[str]) -> RunView:
    place = root / "runs" / name
    place.mkdir(parents=True)
    for path in sorted(reader.directory.glob(_PARTS)):
        target = place / path.relative_to(reader.directory)
        if ALLOWED.fullmatch(target.relative_to(root).as_posix()) and not path.is_symlink():
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
    readings = [redactor.document(reading) for reading in reader.context()]
    if readings:
        lines = (json.dumps(reading, sort_keys=True) + "\n" for reading in readings)
        (place / CONTEXT).write_text("".join(lines), encoding="utf-8")
    record = redacted_record(reader.record, redactor, reader.directory)
    _write_json(place / "run.json", record.model_dump(mode="json"))
    result = evaluate_run(RunReader(place), record.deadline_ns)
    computed = result.summary(record.virtual) | {"context": record.context}
    why = ""
    if not record.summary:
        why = "the run was cut off before its summary; it was computed when this bundle was made"
    elif found := differences(record.summary, computed):
        why = f"its summary was computed otherwise ({found[0]}); it was computed again when this bundle was made"
    if why:
        notes.append(f"{name}: {why}")
        record = record.model_copy(update={"summary": result.summary(record.virtual), "counts": result.counts})
        _write_json(place / "run.json", record.model_dump(mode="json"))
    return judge_view(make_view(record, result, record.deadline_ns, f"runs/{name}"), result)


def _columns(chosen: Chosen, views: dict[str, RunView]) -> list[RunView]:
    """Columns of the page: a run each, or a condition each of a series' complete blocks."""
    if chosen.series is None:
        return list(views.values())
    pooled = []
    for condition in chosen.series.conditions:
        blocks = [b.run for b in chosen.series.blocks if b.condition == condition and b.state == "complete"]
        if blocks:
            pooled.append(pool_views(condition, [views[block] for block in blocks]))
    return pooled or list(views.values())


def _write_json(path: Path, document: object) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
