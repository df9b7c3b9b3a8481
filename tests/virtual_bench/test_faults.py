"""What breaks off a run: exit code 3, what was received is kept, the reason is recorded, the output is low."""

from __future__ import annotations

import os
import re
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from edgereply.errors import BROKE_OFF
from tests.integration.commands import Running, explained, rows
from tests.virtual_bench.bench import REJECT_OUT, STIM_OUT, VirtualBench
from tests.virtual_board import SELF_WIRES
from tests.virtual_board.witness import watching_outputs

pytestmark = pytest.mark.virtual_board
LONG = 100_000  # stimuli nobody waits for
# The same words whether reading or writing meets the end first.
LINK = BROKE_OFF


def ssh_processes(bench: VirtualBench) -> list[int]:
    """The ssh programs that the command started."""
    return [pid for pid, line in bench.place.processes().items() if line.startswith("ssh ")]


def broken_off(bench: VirtualBench, running: Running, run: Path, reason: str) -> None:
    """It ended with the reason (a pattern), and nothing that was on the disk is lost."""
    before = rows(run)
    done = running.end()
    explained(done, 3, "the run is incomplete; what was received is kept")
    assert re.search(f"^edgereply: .*({reason})", done.err, re.MULTILINE), done.err
    record = bench.reader().record
    assert record.state == "incomplete"
    assert re.search(reason, record.reason), record.reason
    stimuli, answers = rows(run)
    assert stimuli >= before[0] > 0
    assert answers >= before[1] > 0
    assert done.document["responses"] > 0
    bench.no_agent_left()
    assert bench.output_level() == "0"


def cut_ssh(bench: VirtualBench, running: Running) -> None:
    (ssh,) = ssh_processes(bench)
    os.kill(ssh, signal.SIGKILL)


def kill_session(bench: VirtualBench, running: Running) -> None:
    bench.board.run(f"kill -9 {bench.agent().session}", 30)


def kill_responder(bench: VirtualBench, running: Running) -> None:
    bench.board.run(f"kill -9 {bench.agent().responder}", 30)


def kill_keeper(bench: VirtualBench, running: Running) -> None:
    bench.board.run(f"kill -9 {bench.agent().keeper}", 30)


FAULTS: dict[str, tuple[Callable[[VirtualBench, Running], None], str]] = {
    "ssh cut": (cut_ssh, LINK),
    "session killed": (kill_session, LINK),
    "responder killed": (kill_responder, "the responder was killed by signal 9"),
    "keeper killed": (kill_keeper, "the keeper process"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_run_that_breaks_off_keeps_everything_and_leaves_the_output_low(bench: VirtualBench, fault: str) -> None:
    do, words = FAULTS[fault]
    bench.write(count=LONG)
    with watching_outputs(bench.board) as trace:
        running, run = bench.start_measuring()
        do(bench, running)
        broken_off(bench, running, run, words)
    rises, falls = trace.changes(REJECT_OUT)
    assert rises.size == falls.size > 0, "the last thing the output did was to fall"


def test_the_stimulus_line_of_a_board_as_source_goes_low_too(bench: VirtualBench) -> None:
    bench.board.wire(*SELF_WIRES)
    bench.write(count=LONG, source='kind = "self"', stimulus='width = "5ms"\nfloor = "10ms"', rate="50/s")
    running, _ = bench.start_measuring()
    for ssh in ssh_processes(bench):
        os.kill(ssh, signal.SIGKILL)
    explained(running.end(), 3)
    bench.no_agent_left()
    assert (bench.output_level(), bench.output_level(STIM_OUT)) == ("0", "0")
    assert bench.reader().record.state == "incomplete"


HOLD = """
import time, gpiod
paths = [path for path in ("/dev/gpiochip0", "/dev/gpiochip1") if gpiod.Chip(path).get_info().label == "reject-gate"]
request = gpiod.request_lines(paths[0], {"REJECT_OUT": None}, consumer="belt-guard")
print("held", flush=True)
time.sleep(600)
"""


def test_a_line_that_another_program_holds_is_named(bench: VirtualBench) -> None:
    command = bench.board.ssh_command("echo $$ && exec python3 -u -")
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:
        assert holder.stdin is not None
        assert holder.stdout is not None
        pid = int(holder.stdout.readline())
        try:
            holder.stdin.write(HOLD.encode())
            holder.stdin.close()
            assert holder.stdout.readline() == b"held\n"
            explained(bench.run("measure", "--no-wiring", "--out", "run"), 3, "in use by 'belt-guard'", "REJECT_OUT")
            assert not (bench.place.root / "run").exists()
        finally:
            bench.board.run(f"kill {pid}", 30)
    assert bench.run("measure", "--no-wiring", "--count", "20", "--out", "run").code == 0


def test_a_board_that_restarts_in_the_middle(bench: VirtualBench) -> None:
    bench.write(count=LONG)
    running, run = bench.start_measuring()
    bench.board.reboot()
    broken_off(bench, running, run, rf"{LINK}|has said nothing|pulse source")
