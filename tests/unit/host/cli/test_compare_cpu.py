from pathlib import Path
from typing import Literal

from edgereply.cli.differences import cpu_lines
from edgereply.measurement.interleaved import cpu_per_answer
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.series_record import BlockRecord, SeriesRecord
from tests.fakes.records import run_record

State = Literal["complete", "incomplete"]


def block(directory: Path, name: str, condition: str, state: State, cpu_ns: int | None, responses: int) -> BlockRecord:
    during = {} if cpu_ns is None else {"during": {"cpu_ns": {"responder": cpu_ns}}}
    run = run_record().model_copy(update={"environment_after": during, "counts": {"responses": responses}})
    RunWriter(directory / name, run)
    return BlockRecord(round=1, condition=condition, run=name, seed=1, state=state)


def test_cpu_time_is_taken_over_all_complete_blocks_that_tell_it(tmp_path: Path) -> None:
    blocks = [
        block(tmp_path, "a1", "chardev", "complete", 4_000_000, 100),
        block(tmp_path, "a2", "chardev", "complete", 5_000_000, 50),
        block(tmp_path, "a3", "chardev", "incomplete", 90_000_000, 1),
        block(tmp_path, "b1", "gpiod", "complete", 9_000_000, 100),
        block(tmp_path, "c1", "sysfs", "complete", None, 100),
        block(tmp_path, "c2", "sysfs", "complete", 5, 0),
    ]
    series = SeriesRecord(
        tool="t", created="2026-01-01", board="gate", order_seed=1,
        conditions={"gpiod": {}, "chardev": {}, "sysfs": {}}, blocks=blocks,
    )  # fmt: skip
    found = cpu_per_answer(tmp_path, series)
    assert list(found.items()) == [("gpiod", 90_000.0), ("chardev", 60_000.0)]
    assert cpu_lines(found)[1:] == [
        "CPU time of the responder per answer",
        "  gpiod: 90.0 µs",
        "  chardev: 60.0 µs",
    ]
    assert cpu_lines({}) == []
