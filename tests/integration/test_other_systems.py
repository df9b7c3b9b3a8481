"""What runs on a laptop that is no Linux: POSIX parts are taken away from the program, and packets from software wires.

Nothing here has run on a real macOS or Windows.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
from collections import deque
from pathlib import Path
from typing import cast

import pytest
from tests.fakes.saved_runs import save_run
from tests.fakes.simulator import simulator
from tests.fakes.wires_responder import CHANGE, WiresResponder
from tests.integration.commands import Workplace, bench_text

from edgereply.errors import SourceError
from edgereply.sources.simulator.wires import EVENT, Wires, _send
from edgereply.system import posix_parts
from edgereply_agent.routes.virtual import VirtualRoute
from edgereply_agent.settings import LineSpec

HERE = Path(__file__).parents[1]
TAKEN = str(HERE / "fakes/without_posix")
PROBE = """
import os, select, signal, socket
assert not hasattr(os, "fork") and not hasattr(socket, "AF_UNIX") and not hasattr(select, "poll")
assert not hasattr(signal, "pthread_sigmask")
try:
    exec("import fcntl", {"__name__": "edgereply.x"})
except ImportError:
    print("taken away")
"""
BENCH = """
deadline = "2ms"
[board.gate]
responder = "external"
input_limit_v = 5.0
[source]
kind = "reference"
port = "{port}"
[stimulus]
rate = "500/s"
floor = "500us"
count = 60
"""


@pytest.fixture
def place(tmp_path: Path) -> Workplace:
    return Workplace(tmp_path)


def without(place: Workplace, what: str, *arguments: str) -> str:
    """Run a command with parts taken away; returns its stdout."""
    done = place.run(*arguments, PYTHONPATH=TAKEN, EDGEREPLY_TEST_WITHOUT=what)
    assert done.code in (0, 1), done.err
    assert "Traceback" not in done.err
    return done.out


def test_the_parts_are_gone_where_they_are_taken_away() -> None:
    env = {**os.environ, "PYTHONPATH": TAKEN, "EDGEREPLY_TEST_WITHOUT": "posix"}
    done = subprocess.run([sys.executable, "-c", PROBE], env=env, capture_output=True, text=True, timeout=60)
    assert done.stdout == "taken away\n", done.stderr


def test_runs_are_read_judged_compared_and_given_away_without_posix(place: Workplace) -> None:
    for name in ("one", "two"):
        save_run(place.root / name)
    assert json.loads(without(place, "posix", "verdict", "one", "--deadline", "2ms", "--exceed", "0.1", "--json"))
    assert json.loads(without(place, "posix", "compare", "one", "two", "--json"))
    without(place, "posix", "explain", "one")
    without(place, "posix", "report", "one", "two", "-o", "page.html")
    assert (place.root / "page.html").stat().st_size > 100_000
    without(place, "posix", "export", "one", "--to", "csv", "--output", "one.csv")
    assert (place.root / "one.csv").is_file()
    without(place, "posix", "bundle", "one", "-o", "one.zip")
    without(place, "posix", "schema", "bench")


def test_a_recording_is_imported_without_posix(place: Workplace) -> None:
    # A sample each 10 µs; every millisecond a stimulus of 30 µs, answered 50 µs after it began.
    levels = [(3.3 * (10 <= n % 100 < 13), 3.3 * (15 <= n % 100 < 20)) for n in range(6000)]
    rows = [f"{n * 1e-5:.5f},{eye},{reject}" for n, (eye, reject) in enumerate(levels)]
    place.write("\n".join(["time,eye,reject", *rows]) + "\n", "recording.csv")
    given = ("--stimulus", "eye", "--response", "reject", "--deadline", "2ms", "--accept", "--out", "imported")
    without(place, "posix", "import", "recording.csv", *given)
    found = json.loads(without(place, "posix", "verdict", "imported", "--deadline", "2ms", "--exceed", "0.1", "--json"))
    assert found["stimuli"] == 59  # the last is too near to the end to be judged


def test_a_serial_source_measures_without_posix(place: Workplace) -> None:
    with simulator() as (device, wires), WiresResponder(wires):
        place.write(BENCH.format(port=device))
        found = json.loads(without(place, "posix", "measure", "--out", "run", "--no-wiring", "--json"))
    assert (found["stimuli"], found["responses"]) == (60, 60)
    assert json.loads(without(place, "posix", "verdict", "run", "--exceed", "0.1", "--json"))["stimuli"] == 60


def test_software_wires_say_what_they_lack(place: Workplace) -> None:
    place.write(bench_text())
    done = place.run("measure", "--out", "run", PYTHONPATH=TAKEN, EDGEREPLY_TEST_WITHOUT="posix")
    assert done.code == 3
    assert "software wires need pseudo-terminals, which this system does not have" in done.err
    assert "Traceback" not in done.err


def test_software_wires_of_a_stream_lose_nothing(place: Workplace) -> None:
    place.write(bench_text(count=200))
    found = json.loads(without(place, "packets", "measure", "--out", "run", "--json"))
    assert (found["stimuli"], found["responses"], found["missed"]) == (200, 200, 0)


def test_a_stream_that_comes_in_pieces_is_put_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(socket, "SOCK_SEQPACKET")
    wires = Wires()
    board = posix_parts.local_socket()
    assert board.type == socket.SOCK_STREAM
    try:
        board.connect(wires.path)
        wires.accept()
        found = []
        for byte in CHANGE.pack(5, 0, 1) + CHANGE.pack(9, 0, 0):
            board.send(bytes([byte]))
            found += wires.changes(99)
        assert found == [(5, 1), (9, 0)]
        # A board that does not read for a while gets every edge whole, and in order.
        for number in range(3000):
            wires.emit(number)
        data = b""
        while len(data) < 3000 * EVENT.size:
            data += board.recv(1 << 16)
            wires.changes(99)
        assert [event[0] for event in EVENT.iter_unpack(data)] == list(range(3000))
    finally:
        board.close()
        wires.close()


def test_what_a_stream_does_not_take_of_an_edge_is_sent_later() -> None:
    class Narrow:
        """Takes 20 bytes at a time, and after three times none for once."""

        def __init__(self) -> None:
            self.taken, self.times = b"", 0

        def send(self, data: bytes) -> int:
            self.times += 1
            if self.times == 4:
                raise BlockingIOError
            self.taken += data[:20]
            return len(data[:20])

    wire, edges = Narrow(), [EVENT.pack(number, 1, 0, number, number) for number in range(3)]
    waiting = deque(edges)
    _send(cast(socket.socket, wire), waiting)
    assert waiting
    _send(cast(socket.socket, wire), waiting)
    assert wire.taken == b"".join(edges)


def test_the_agent_reads_whole_edges_from_a_stream(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(socket, "SOCK_SEQPACKET")
    path = str(tmp_path / "wires")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(path)
        listener.listen(1)
        route = VirtualRoute()
        spec = LineSpec("input", path, 0, False, "as-is", "")
        line, output = route.input(spec, "rising", 16), route.output(spec)
        far, _ = listener.accept()
        event = EVENT.pack(7, 1, 0, 1, 1)
        far.send(event[:20])
        rest = threading.Timer(0.1, lambda: far.send(event[20:] + event))
        rest.start()
        assert [line.read(), line.read()] == [event, event]
        output.high()
        assert CHANGE.unpack(far.recv(64))[2] == 1
        far.close()
        assert line.read() == b""
        rest.join()
        route.close()


def test_a_system_with_neither_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(socket, "AF_UNIX")
    with pytest.raises(SourceError, match=r"software wires need sockets.*measure with a pulse source on a port"):
        Wires()
