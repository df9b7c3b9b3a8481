"""A bundle and its verification in words and as JSON."""

from pathlib import Path
from typing import Any

from edgereply.exchange.bundle.check import Check
from edgereply.exchange.bundle.collect import Chosen
from edgereply.exchange.bundle.pack import Staged
from edgereply.exchange.bundle.redact import Redactor
from edgereply.storage.run_reader import RunReader
from edgereply.wording.numbers import clean

MOST_STAYING = 40


def bundle_document(staged: Staged, chosen: Chosen, redactor: Redactor, output: Path | None) -> dict[str, Any]:
    """What goes in, what is redacted (with the names, for the eyes of whoever bundles), and what stays behind."""
    return {
        "bundle": None if output is None else str(output),
        "files": [entry.model_dump() for entry in staged.manifest.files],
        "redactions": [
            {"placeholder": r.placeholder, "kind": r.kind, "value": r.value, "places": r.places, "kept": r.kept}
            for r in redactor.redactions
        ],
        "as_it_stands": as_it_stands(staged),
        "left_out": [str(path) for path in chosen.left_out],
        "notes": staged.manifest.notes,
    }


def bundle_lines(staged: Staged, chosen: Chosen, redactor: Redactor) -> list[str]:
    """The same as lines."""
    lines = ["Goes in:"]
    lines += [f"  {entry.name}  {entry.bytes:,} bytes" for entry in staged.manifest.files]
    found = redactor.redactions
    lines += ["Redacted:"] if any(not r.kept for r in found) else ["Redacted: nothing was found"]
    lines += [
        f"  {r.placeholder}  in place of {clean(r.value, 80)!r}, {_places(r.places)}" for r in found if not r.kept
    ]
    if kept := [r for r in found if r.kept]:
        lines += ["Kept, as asked:"]
        lines += [f"  {r.placeholder}  {clean(r.value, 80)!r}, {_places(r.places)}" for r in kept]
    lines += ["Goes in as it stands; --redact WORD takes more out:"]
    lines += [f"  {clean(line, 160)}" for line in as_it_stands(staged)]
    if chosen.left_out:
        lines += ["Stays behind:", *(f"  {clean(str(path), 160)}" for path in chosen.left_out)]
    return lines + [f"Note: {note}" for note in staged.manifest.notes]


def as_it_stands(staged: Staged) -> list[str]:
    """Free words of the records that no rule knows: whoever publishes them should have read them."""
    found: dict[str, None] = {}
    for path in sorted(staged.root.glob("runs/*/run.json")):
        record = RunReader(path.parent).record
        board = record.requested.get("board", {})
        lines = [f"{n} {_line(board.get(n))}" for n in ("input", "output") if _line(board.get(n))]
        words = [
            f"title: {record.title}" if record.title else "",
            f"board: {', '.join([record.board, *lines])}",
            f"board model: {record.environment_before.get('model')}" if record.environment_before.get("model") else "",
            f"kernel: {record.environment_before.get('kernel', '')}",
            f"source: {record.source.kind} {record.source.model} {record.source.firmware}",
            *(f"repeat: {line}" for line in record.repeat),
            *(f"warning: {line}" for line in record.warnings),
            f"reason: {record.reason}" if record.reason else "",
        ]
        found |= dict.fromkeys(word for word in words if word)
    more = len(found) - MOST_STAYING
    return list(found)[:MOST_STAYING] + ([f"and {more} lines more, in the run.json files"] if more > 0 else [])


def check_lines(check: Check) -> list[str]:
    """A verification as lines."""
    lines = [f"{check.bundle}: {check.files} files, made by {clean(check.tool, 60)}", f"SHA-256 {check.sha256}"]
    lines += [f"WRONG  {clean(line, 160)}" for line in check.wrong]
    for run in check.runs:
        grade = f"{'VIRTUAL, ' if run.virtual else ''}{run.evidence}"
        if run.differences:
            lines.append(f"WRONG  {run.run}: the recorded summary is not what its stamps give")
            lines += [f"         {clean(line, 160)}" for line in run.differences]
        else:
            lines.append(f"right  {run.run}: summary computed again from {run.stimuli:,} stimuli ({grade}), the same")
    if not check.runs:
        lines.append("WRONG  there is no run in it")
    return [*lines, "It matches." if check.matches else "It does not match."]


def _line(line: object) -> str:
    if not isinstance(line, dict) or line.get("line") in ("", None):
        return ""
    return f"{line['chip']}:{line['line']}" if line.get("chip") else str(line["line"])


def _places(count: int) -> str:
    return f"{count:,} place{'s' if count > 1 else ''}"
