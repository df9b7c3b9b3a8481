"""What is fed, and which errors are right. Any other exception is a finding; so is too much time or memory.

Each target is a function of some bytes. Files are written to a directory in memory that is made once a process.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

from edgereply.comparison.baseline import parse_rule
from edgereply.config.bench_file import load_bench
from edgereply.config.plan_file import load_plan
from edgereply.errors import HostError
from edgereply.evaluation.load_view import evaluate_run, load_view
from edgereply.measurement.fixture import load_fixture
from edgereply.measurement.stopping_rule import parse_goal
from edgereply.report.document import write_page
from edgereply.sources import scpi, wire_records
from edgereply.sources.base import SourceIdentity
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import CONTEXT
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.series_record import load_series
from edgereply.storage.stamps import SourceStamps
from edgereply_agent.errors import AgentError
from edgereply_agent.settings import Reader, read_common, read_plan
from edgereply_protocol import MESSAGES, Connection, RemoteError, Role, State, decode_message
from edgereply_protocol.plain import unpack
from tests.fakes.made_runs import a_record
from tests.fuzzing import imported

MOST_ROWS_READ = 1_000_000
LONGEST_ANSWER = 512  # the serial port gives out no longer line
IDENTITY = SourceIdentity(
    kind="virtual", model="v", serial="1", firmware="1", tick_hz=1, tolerance_ppm=50, captures=True, virtual=True
)
MOST_PIECES = 64
Target = Callable[[bytes], object]


@functools.cache
def place() -> Path:
    """A directory of this process, in memory where there is such."""
    memory = Path("/dev/shm")
    root = Path(tempfile.mkdtemp(prefix="fuzzing-", dir=memory if memory.is_dir() else None))
    atexit.register(shutil.rmtree, root, ignore_errors=True)
    return root


def _file(name: str, data: bytes) -> Path:
    path = place() / name
    path.write_bytes(data)
    return path


# -- from the board


def frames(data: bytes) -> None:
    """Bytes of the link, to either end, in pieces whose size the first byte says."""
    step = max(data[0] + 1, len(data) // MOST_PIECES) if data else 1
    for role in Role:
        link = Connection(role, "edgereply fuzzing")
        with contextlib.suppress(RemoteError):
            for start in range(1, len(data), step):
                link.receive_data(data[start : start + step])
                while link.next_message() is not None:
                    pass
            link.receive_eof()
        assert link.state in State


def messages(data: bytes) -> None:
    """A payload behind a good checksum; the first byte says of which type."""
    if data:
        kinds = sorted(MESSAGES)
        with contextlib.suppress(RemoteError):
            decode_message(kinds[data[0] % len(kinds)], data[1:])


def agent_settings(data: bytes) -> None:
    """Settings that reach the agent of a host that is not ours."""
    try:
        values = unpack(data)
    except ValueError:
        return
    for read in (lambda r: read_common(r, ("input", "output"), ("chardev", "virtual")), read_plan):
        with contextlib.suppress(AgentError):
            read(Reader(values, "settings"))


# -- from the serial port


def scpi_answers(data: bytes) -> None:
    """Lines of an instrument, read as everything a line can be."""
    for line in data.split(b"\n")[:8]:
        with contextlib.suppress(scpi.ScpiError):
            text = scpi.parse_line(line[:LONGEST_ANSWER])
            for read in (scpi.parse_identification, scpi.parse_error, scpi.parse_integer):
                with contextlib.suppress(scpi.ScpiError):
                    read(text)


def scpi_blocks(data: bytes) -> None:
    """A response of blocks, cut anywhere, and the records inside."""
    stream, timeline = scpi.BlockStream(), wire_records.TickTimeline(16_000_000)
    with contextlib.suppress(scpi.ScpiError, wire_records.RecordError):
        step = max(7, len(data) // MOST_PIECES)
        for start in range(0, len(data), step):
            for block in stream.feed(data[start : start + step]):
                timeline.batch(block)
    assert len(stream.rest) <= len(data)


# -- files


def bench_file(data: bytes) -> None:
    """A bench file."""
    with contextlib.suppress(HostError):
        load_bench(_file("bench.toml", data))


def plan_file(data: bytes) -> None:
    """A plan of a sweep."""
    with contextlib.suppress(HostError):
        load_plan(_file("plan.toml", data))


def run_json(data: bytes) -> None:
    """The record of a run, and the page that shows it."""
    run = _run()
    (run / "run.json").write_bytes(data)
    with contextlib.suppress(HostError):
        load_view(run)


def run_page(data: bytes) -> None:
    """As `run_json`, to the written report: slower."""
    run = _run()
    (run / "run.json").write_bytes(data)
    with contextlib.suppress(HostError):
        write_page([load_view(run)], place() / "page.html")


def parquet(data: bytes) -> None:
    """A part of stamps."""
    run = _run()
    (run / "stamps" / "part-00000.parquet").write_bytes(data)
    with contextlib.suppress(HostError):
        assert len(RunReader(run).source().stimulus_ns) <= MOST_ROWS_READ


def context(data: bytes) -> None:
    """Readings of the board's counters."""
    run = _run()
    (run / CONTEXT).write_bytes(data)
    RunReader(run).context()


def stamps(data: bytes) -> None:
    """Well-formed parts that hold any numbers at all."""
    run = _run()
    values = np.frombuffer(data[: len(data) // 24 * 24], "<i8").reshape(3, -1).astype(np.int64)
    writer = RunWriter(place() / "made", a_record())
    writer._source.add(SourceStamps(*values))
    writer.commit()
    (writer.directory / "stamps" / "part-00000.parquet").replace(run / "stamps" / "part-00000.parquet")
    shutil.rmtree(writer.directory)
    with contextlib.suppress(HostError):
        evaluate_run(RunReader(run), 2_000_000)


def series_json(data: bytes) -> None:
    """The record of a series."""
    _file("series.json", data)
    with contextlib.suppress(HostError):
        load_series(place())


def fixture_json(data: bytes) -> None:
    """A null measurement beside a bench file."""
    with contextlib.suppress(HostError):
        load_fixture(_file("fixture.json", data), IDENTITY)


# -- typed


def typed(data: bytes) -> None:
    """Small languages of options."""
    text = data.decode("utf-8", "replace")
    for read in (parse_goal, parse_rule):
        with contextlib.suppress(HostError):
            read(text)


@functools.cache
def template() -> Path:
    run = place() / "template"
    writer = RunWriter(run, a_record())
    writer.add_source(np.tile(np.array([1, 2, 3], np.uint8), 40), np.arange(120, dtype=np.int64) * 1_000_000)
    writer.commit()
    return run


def _run() -> Path:
    run = place() / "run"
    if not run.exists():
        shutil.copytree(template(), run)
    for name in ("run.json", "stamps/part-00000.parquet"):
        (run / name).write_bytes((template() / name).read_bytes())
    return run


TARGETS: dict[str, Target] = {
    target.__name__: target
    for target in (
        frames, messages, agent_settings, scpi_answers, scpi_blocks, bench_file, plan_file, run_json, run_page,
        parquet, context, stamps, series_json, fixture_json, typed,
    )
} | imported.make(place)  # fmt: skip
