"""Edges that the kernel merges or drops: found, counted, never papered over."""

from __future__ import annotations

import contextlib
import html
import subprocess
from collections.abc import Iterator

import numpy as np
import pytest

from edgereply.evaluation.lost_edges import lost_edges
from tests.virtual_bench.bench import VirtualBench

pytestmark = pytest.mark.virtual_board
# The interrupt's thread has SCHED_FIFO 50: while this one spins, edges come in and the thread cannot tell of them.
HOG = """
import os, time
os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(80))
print("spins", flush=True)
while True:
    end = time.monotonic() + 0.03
    while time.monotonic() < end:
        pass
    time.sleep(0.05)
"""


@contextlib.contextmanager
def hog(bench: VirtualBench) -> Iterator[None]:
    """A process that keeps the board's only CPU from its interrupt threads, 30 ms in every 80."""
    command = bench.board.ssh_command("echo $$ && exec python3 -u -")
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        pid = int(process.stdout.readline())
        try:
            process.stdin.write(HOG.encode())
            process.stdin.close()
            assert process.stdout.readline() == b"spins\n"
            yield
        finally:
            bench.board.run(f"kill -9 {pid}", 60)


def test_edges_merged_without_a_gap_in_the_numbers_are_found_by_counting(bench: VirtualBench) -> None:
    stimuli = 300
    bench.write(rate="200/s", count=stimuli)
    with hog(bench):
        done = bench.run("measure", "--json", "--no-wiring", "--out", "run")
    assert done.code == 0, done.err
    reader = bench.reader()
    counts, answered = reader.record.counts, len(reader.board().edge_ns)
    merged = stimuli - answered
    assert merged > stimuli // 10, "the hog merged nothing: the test shows nothing"
    assert (np.diff(reader.board().line_seqno.astype(np.int64)) == 1).all(), "the kernel left no gap"
    assert counts["lost_edges"] == 0
    summary = done.document
    unanswered = summary["missed"] + summary["coalesced"]
    assert unanswered + summary["ambiguous"] >= merged
    assert unanswered > 0
    assert summary["responses"] <= answered
    lost = lost_edges(reader.record)
    assert lost is not None
    assert lost.before_kernel is not None
    assert lost.merged is not None
    assert lost.before_kernel + lost.merged == merged
    assert (lost.queue, lost.program) == (0, 0)
    assert lost.merged > merged // 2, "the interrupts were counted, only their thread did not run"


def test_an_overflow_of_the_kernels_buffer_is_counted_and_told(bench: VirtualBench) -> None:
    stimuli = 6000
    bench.write(rate="1000/s", count=stimuli, stimulus='floor = "300us"')
    running, _ = bench.start_measuring()
    responder = bench.agent().responder
    # Time on the board: more edges come meanwhile than the kernel keeps.
    bench.board.run(f"kill -STOP {responder}; sleep 2; kill -CONT {responder}", 120)
    done = running.end()
    assert done.code == 0, done.err
    reader = bench.reader()
    board, counts = reader.board(), reader.record.counts
    gaps = np.diff(board.line_seqno.astype(np.int64)) - 1
    assert counts["lost_edges"] == done.document["lost_edges"] == gaps.sum() > 0
    assert gaps.max() == counts["lost_edges"], "one stop, one gap"
    numbered = len(board.edge_ns) + counts["lost_edges"]
    assert numbered == board.line_seqno[-1]
    # A few may have merged besides, which leaves no gap in the numbers.
    assert counts["stimuli"] == stimuli
    lost = lost_edges(reader.record)
    assert lost is not None
    assert (lost.queue, lost.program) == (counts["lost_edges"], 0)
    assert f"{lost.queue:,} dropped by the kernel's full queue" in lost.sentence()
    assert stimuli - 30 <= numbered <= stimuli
    told = bench.run("report", "run", "-o", "report.html")
    assert told.code == 0, told.err
    page = html.unescape((bench.place.root / "report.html").read_text())
    sentence = f"{counts['lost_edges']} edges were lost in the board's event buffer"
    assert sentence in page
    assert sentence in done.err
