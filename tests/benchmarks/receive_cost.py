"""What receiving costs the host: both streams from bytes to committed parts, against writing the same columns once.

python -m tests.benchmarks.receive_cost [answers]

The bytes of the link and of the serial port are made beforehand and their making is not counted; decoding, laying out
in rows, checks and Parquet parts are. A stimulus has seven stamps: stimulus, rise, fall by the source, and edge, wake,
set and clear by the board. The goal is 50,000 stamps/s at under half of one core.
"""

from __future__ import annotations

import sys
import tempfile
import time
from array import array
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from tests.fakes.board_link import FakeAgentLink
from tests.fakes.made_runs import a_record
from tests.fakes.scripted_source import ScriptedSource

from edgereply.board.client import BoardClient
from edgereply.measurement.run import Run
from edgereply.sources.base import SourceBatch, StimulusPlan
from edgereply.sources.wire_records import TIME_MARK, TickTimeline
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_writer import RunWriter
from edgereply_protocol import Block, Layout, Stamps

STAMPS = 7
ASKED_PER_S = 50_000
BLOCK = 500
TICK_HZ = 16_000_000
PERIOD_TICKS = 3_200
REPEATS = 5
TIMES = ("edge_ns", "wake_ns", "set_ns", "clear_ns")


def board_block(first: int) -> Stamps:
    """The answers of one block, 200 µs apart."""
    edge = (np.arange(first, first + BLOCK, dtype=np.int64) + 1) * 200_000
    columns = {name: array("q", (edge + 20_000 * n).tobytes()) for n, name in enumerate(TIMES)}
    number = np.arange(first, first + BLOCK, dtype=np.uint32).tobytes()
    return Stamps(Block(Layout.ANSWERS, first, columns | {n: array("I", number) for n in ("seqno", "line_seqno")}))


def source_records(first: int) -> bytes:
    """The records of the same stimuli after a time mark: stimulus, rise, fall."""
    ticks = ((np.arange(first, first + BLOCK, dtype=np.int64) + 1) * PERIOD_TICKS)[:, None] + np.array([0, 80, 120])
    records = np.zeros(1 + 3 * BLOCK, dtype=[("kind", "u1"), ("value", "<u4")])
    records["kind"][0], records["value"][0] = TIME_MARK, ticks[0, 0] % 2**32
    records["kind"][1:], records["value"][1:] = np.tile([1, 2, 3], BLOCK), ticks.ravel() % 2**32
    return records.tobytes()


def receive_s(answers: int, folder: Path) -> float:
    """Processor seconds of a run whose bytes are all there; the making of the board's frames is taken off."""
    link, timeline = FakeAgentLink(), TickTimeline(TICK_HZ)
    client = BoardClient(link)
    client.greet(1.0)
    client.configure("respond", {})
    sent = [source_records(first) for first in range(0, answers, BLOCK)]
    blocks = [board_block(first) for first in range(0, answers, BLOCK)]
    making = 0.0

    def steps() -> Iterator[SourceBatch]:
        nonlocal making
        for number, data in enumerate(sent):
            began = time.process_time()
            link.say(blocks[number])
            making += time.process_time() - began
            yield timeline.batch(data, done=number == len(sent) - 1)

    step = steps()
    source = ScriptedSource([lambda: next(step)] * len(sent))
    writer = RunWriter(folder / "run", a_record())
    began = time.process_time()
    outcome = Run(client, source, writer, StimulusPlan(count=answers), lambda tally, latest: None).execute()
    taken = time.process_time() - began - making
    reader = RunReader(folder / "run")
    kept = len(reader.source().edges()[0]), len(reader.board().edge_ns)
    if outcome.state != "complete" or kept != (answers, answers):
        raise SystemExit(f"not everything was received: {outcome.reason or kept}")
    return taken


def write_s(answers: int, folder: Path) -> float:
    """Processor seconds to write columns of the same numbers as one Parquet file."""
    times = np.arange(answers, dtype=np.int64) * 200_000
    numbers = np.arange(answers, dtype=np.uint32)
    table = pa.table({str(n): times + 20_000 * n for n in range(STAMPS)} | {"a": numbers, "b": numbers})
    began = time.process_time()
    pq.write_table(table, folder / "same.parquet")
    return time.process_time() - began


def results(answers: int = 1_000_000) -> dict[str, float]:
    """Medians over alternating turns."""
    taken: list[tuple[float, float]] = []
    for _ in range(REPEATS):
        with tempfile.TemporaryDirectory() as folder:
            taken.append((receive_s(answers, Path(folder)), write_s(answers, Path(folder))))
    received, written = (sorted(column)[REPEATS // 2] for column in zip(*taken, strict=True))
    return {
        "answers": answers,
        "received_s": received,
        "written_s": written,
        "written_ratio": received / written,
        "core_share": received / answers / STAMPS * ASKED_PER_S,
    }


def lines(found: dict[str, float]) -> list[str]:
    """For people."""
    each_ns = 1e9 * found["received_s"] / found["answers"] / STAMPS
    return [
        f"receiving {found['answers']:,.0f} answers: {found['written_ratio']:.1f} times writing the same columns once; "
        f"{each_ns:.0f} ns a stamp, {100 * found['core_share']:.1f} % of a core at {ASKED_PER_S:,} stamps/s (goal: 50)"
    ]


if __name__ == "__main__":
    print("\n".join(lines(results(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000))))
