"""Whole sessions of a real agent process over real pipes and real sockets."""

from __future__ import annotations

import os
import signal
import time
from typing import Any

import pytest

from edgereply_protocol import (
    NO_STAMP,
    Configure,
    Fault,
    Hello,
    Inspect,
    Inspection,
    Layout,
    Message,
    Ping,
    Pong,
    Probe,
    Progress,
    RemoteError,
    Stamps,
    Start,
    Stop,
    Stopped,
    encode_frame,
    encode_message,
)
from edgereply_protocol.framing import Frame
from tests.fakes.agent_process import gone
from tests.unit.agent.conftest import VirtualBoard


def stop(board: VirtualBoard) -> Stopped:
    """Stop the task."""
    board.agent.send(Stop())
    return board.agent.expect(Stopped)


def column(messages: list[Message], name: str) -> list[int]:
    """One column of all blocks, checking that rows are numbered without gaps."""
    values: list[int] = []
    first = 0
    for message in messages:
        if isinstance(message, Stamps):
            assert message.block.first == first
            first += message.block.rows
            values.extend(message.block.columns[name])
    return values


@pytest.mark.parametrize("wait", ["block", "spin"])
def test_answers_every_edge_and_reports_it(board: VirtualBoard, wait: str) -> None:
    board.respond(wait=wait)
    pulses = [board.pulse() for _ in range(200)]
    stopped = stop(board)
    assert (stopped.answered, stopped.lost, stopped.unrecorded) == (200, 0, 0)
    seen = board.agent.seen
    assert column(seen, "edge_ns") == [edge for edge, _, _ in pulses]
    assert column(seen, "seqno") == column(seen, "line_seqno") == list(range(1, 201))
    rows = zip(pulses, *(column(seen, name) for name in ("wake_ns", "set_ns", "clear_ns")), strict=True)
    for (edge_ns, rise_ns, fall_ns), wake_ns, set_ns, clear_ns in rows:
        assert edge_ns < wake_ns <= rise_ns <= set_ns <= fall_ns <= clear_ns
    assert board.agent.bye() == 0
    assert board.agent.errors() == ""


def test_hold_keeps_the_output_high(board: VirtualBoard) -> None:
    board.respond(hold_ns=3_000_000)
    _, rise_ns, fall_ns = board.pulse()
    stop(board)
    assert fall_ns - rise_ns >= 3_000_000
    assert column(board.agent.seen, "clear_ns")[0] - column(board.agent.seen, "set_ns")[0] >= 3_000_000


def test_lost_edges_are_counted_across_the_wrap(board: VirtualBoard) -> None:
    board.agent.greet()
    board.agent.configure("respond", board.settings())
    board.wires.start_at(0xFFFFFFF0 - 1)
    board.wires.edge()  # waits in the queue before the start: not answered, but its number is where counting begins
    board.agent.start()
    for skip in (0, 3, 0, 40, 0):
        board.wires.edge(skip=skip)
        board.wires.change()
        board.wires.change()
    stopped = stop(board)
    assert (stopped.answered, stopped.lost) == (5, 43)
    assert column(board.agent.seen, "seqno") == [0xFFFFFFF1, 0xFFFFFFF5, 0xFFFFFFF6, 0x1F, 0x20]


def test_quiet_sends_nothing_before_the_stop(board: VirtualBoard) -> None:
    board.respond(collection="quiet", capacity=10)
    for _ in range(15):
        board.pulse()
    with pytest.raises(TimeoutError):
        board.agent.next(1.5)
    stopped = stop(board)
    assert (stopped.answered, stopped.lost, stopped.unrecorded) == (15, 0, 5)
    assert column(board.agent.seen, "seqno") == list(range(1, 11))
    assert not any(isinstance(message, Progress) for message in board.agent.seen)


def test_stream_ships_blocks_and_progress_while_it_runs(board: VirtualBoard) -> None:
    board.respond()
    board.pulse()
    progress = board.agent.expect(Progress)
    assert (progress.answered, progress.lost, progress.unrecorded) == (1, 0, 0)
    assert column(board.agent.seen, "seqno") == [1], "the block comes before the count that includes it"
    assert "voluntary" in progress.context["context_switches"]["responder"]
    during = stop(board).environment["during"]
    assert during["system_switches"] > 0
    assert 0 < during["cpu_ns"]["responder"] < 10**10
    assert during["reading"]["count interrupts"] > 0


def test_a_full_ring_does_not_stop_the_answers(board: VirtualBoard) -> None:
    """Nobody reads the link: the ring fills up, edges are answered all the same and counted as unrecorded."""
    board.respond(capacity=4, wait="spin")
    board.agent.process.send_signal(signal.SIGSTOP)
    for _ in range(50):
        board.pulse()
    board.agent.process.send_signal(signal.SIGCONT)
    stopped = stop(board)
    assert stopped.answered == 50
    assert stopped.lost == 0
    assert stopped.unrecorded == 46
    assert column(board.agent.seen, "seqno") == [1, 2, 3, 4]


@pytest.mark.parametrize("wait", ["block", "spin"])
def test_kill_of_the_session_leaves_the_output_low(board: VirtualBoard, wait: str) -> None:
    board.respond(wait=wait, hold_ns=1_000_000_000)
    children = board.agent.children()
    assert (len(children["workers"]), len(children["keepers"])) == (1, 1)
    board.wires.edge()
    assert board.wires.change()[1] == 1
    board.agent.kill()
    # Only the keeper writes: it has ended the responder, which would have held the output for a second.
    assert board.wires.changes_until_closed() == [0]
    assert all(gone(pid) for pids in children.values() for pid in pids)


def test_kill_of_the_responder_leaves_the_output_low_and_is_told(board: VirtualBoard) -> None:
    board.respond(hold_ns=1_000_000_000)
    (worker,) = board.agent.children()["workers"]
    board.wires.edge()
    assert board.wires.change()[1] == 1
    os.kill(worker, signal.SIGKILL)
    assert board.wires.change()[1] == 0
    message = board.agent.next()
    while not isinstance(message, Fault):
        message = board.agent.next()
    assert message.code == "responder-died"
    assert "signal 9" in message.what
    assert message.remedy
    assert board.agent.expect(Stopped).reason == "responder ended"
    assert board.agent.children() == {"workers": [], "keepers": []}
    board.agent.send(Ping(1))
    assert board.agent.expect(Pong).token == 1, "the session goes on"


def test_kill_of_the_keeper_ends_the_run(board: VirtualBoard) -> None:
    board.respond()
    (keeper,) = board.agent.children()["keepers"]
    os.kill(keeper, signal.SIGKILL)
    message = board.agent.next()
    while not isinstance(message, Fault):
        message = board.agent.next()
    assert message.code == "internal"
    assert "keeper" in message.what
    assert board.agent.expect(Stopped).reason == "keeper ended"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_signals_end_the_session_with_the_output_low(board: VirtualBoard, number: signal.Signals) -> None:
    board.respond(hold_ns=1_000_000_000)
    children = board.agent.children()
    board.wires.edge()
    assert board.wires.change()[1] == 1
    board.agent.process.send_signal(number)
    assert board.wires.changes_until_closed()[-1:] == [0]
    assert board.agent.process.wait(10) == 128 + number
    assert all(gone(pid) for pids in children.values() for pid in pids)
    assert board.agent.errors() == ""


def test_end_of_input_ends_the_session_with_the_output_low(board: VirtualBoard) -> None:
    board.respond(hold_ns=1_000_000_000)
    board.wires.edge()
    assert board.wires.change()[1] == 1
    assert board.agent.process.stdin is not None
    board.agent.process.stdin.close()
    assert board.wires.changes_until_closed()[-1:] == [0]
    assert board.agent.process.wait(10) == 3
    assert "the link ended while running" in board.agent.errors()


def test_broken_output_pipe_ends_the_session_with_the_output_low(board: VirtualBoard) -> None:
    board.respond()
    assert board.agent.process.stdout is not None
    board.agent.process.stdout.close()
    assert board.wires.changes_until_closed() in ([], [0])
    assert board.agent.process.wait(10) == 3
    assert "Traceback" not in board.agent.errors()


def test_dead_mans_time_stops_the_run_but_keeps_its_stamps(board: VirtualBoard) -> None:
    board.respond(dead_man_s=1)
    board.pulse()
    stopped = board.agent.expect(Stopped)
    assert "no sign of life" in stopped.reason
    assert stopped.answered == 1
    assert column(board.agent.seen, "seqno") == [1]
    assert board.agent.process.wait(30) == 3
    assert "given up" in board.agent.errors()


def test_pings_keep_a_run_alive(board: VirtualBoard) -> None:
    board.respond(dead_man_s=1)
    for token in range(8):
        board.agent.send(Ping(token))
        pong = board.agent.expect(Pong)
        assert pong.token == token
        assert 0 < pong.received_ns <= pong.sent_ns
        time.sleep(0.3)
    assert stop(board).reason == "stopped by the host"


def test_lost_wires_are_told(board: VirtualBoard) -> None:
    board.respond()
    board.wires.close()
    message = board.agent.next()
    while not isinstance(message, Fault):
        message = board.agent.next()
    assert message.code == "lost-line"
    assert board.agent.expect(Stopped).answered == 0


def test_two_runs_in_one_session(board: VirtualBoard) -> None:
    board.respond()
    board.pulse()
    stop(board)
    board.wires.close()
    board.wires.path.unlink()
    board.wires.__init__(board.wires.path)  # type: ignore[misc]
    board.agent.configure("respond", board.settings(wait="spin"))
    board.agent.start()
    board.pulse()
    assert stop(board).answered == 1


def test_stop_before_start(board: VirtualBoard) -> None:
    board.agent.greet()
    board.agent.configure("respond", board.settings())
    assert stop(board).answered == 0
    assert board.wires.changes_until_closed() in ([], [0])


def test_banner_before_the_first_frame_is_skipped(board: VirtualBoard) -> None:
    board.agent.write(b"Welcome to the board\r\n\xf5ER\x1a not a frame\n")
    assert board.agent.greet().role == "agent"


def test_greeting_byte_by_byte(board: VirtualBoard) -> None:
    for byte in board.agent.link.send(board.agent.link.hello()):
        board.agent.write(bytes([byte]))
    hello = board.agent.expect(Hello)
    assert hello.capabilities["tasks"] == ["respond", "observe", "stimulate", "probe"]
    assert hello.capabilities["waits"] == ["block", "spin"]
    assert hello.capabilities["routes"]["virtual"] == {"available": True, "why": "", "remedy": ""}
    assert hello.environment["python"].startswith("3.")


def expect_fatal(board: VirtualBoard, words: str) -> None:
    message = board.agent.next()
    while not isinstance(message, Fault):
        message = board.agent.next()
    assert message.fatal
    assert words in message.what
    assert board.agent.process.wait(10) == 3
    errors = board.agent.errors()
    assert words in errors
    assert "Traceback" not in errors


def test_garbage_after_the_greeting_is_fatal(board: VirtualBoard) -> None:
    board.agent.greet()
    board.agent.write(b"x" * 64)
    expect_fatal(board, "something else wrote into the link")


def test_message_out_of_order_is_fatal(board: VirtualBoard) -> None:
    board.agent.greet()
    board.agent.write(encode_frame(Frame(Start.TYPE, 1, encode_message(Start()))))
    expect_fatal(board, "Start came while the link was ready")


def test_other_version_is_fatal(board: VirtualBoard) -> None:
    board.agent.write(encode_frame(Frame(Hello.TYPE, 0, encode_message(Hello("host", "x", 90, 99)))))
    expect_fatal(board, "protocol versions 90 to 99")


def test_other_roles_greeting_is_fatal(board: VirtualBoard) -> None:
    board.agent.write(encode_frame(Frame(Hello.TYPE, 0, encode_message(Hello("agent", "x", 1, 1)))))
    expect_fatal(board, "expected 'host'")


CHIP = "/nowhere/wires"
LINE = {"chip": CHIP, "line": 0}
GOOD: dict[str, Any] = {"route": "virtual", "lines": {"input": LINE, "output": LINE}}


@pytest.mark.parametrize(
    ("task", "settings", "code", "words"),
    [
        ("respond", GOOD, "no-chip", "/nowhere/wires"),
        ("juggle", GOOD, "bad-setting", "juggle"),
        ("respond", {}, "bad-setting", "settings.lines"),
        ("respond", GOOD | {"wait": "doze"}, "bad-setting", "settings.wait"),
        ("respond", GOOD | {"hold_ns": -1}, "bad-setting", "settings.hold_ns"),
        ("respond", GOOD | {"hold_ns": 1.5}, "bad-setting", "settings.hold_ns"),
        ("respond", GOOD | {"capacity": 0}, "bad-setting", "settings.capacity"),
        ("respond", GOOD | {"route": "telepathy"}, "bad-setting", "settings.route"),
        ("respond", GOOD | {"realtime": {"fifo_priority": 100}}, "bad-setting", "settings.realtime.fifo_priority"),
        ("respond", GOOD | {"realtime": {"cpus": []}}, "bad-setting", "settings.realtime.cpus"),
        ("respond", GOOD | {"lines": {"input": LINE}}, "bad-setting", "settings.lines.output"),
        ("respond", GOOD | {"stimulate": {}}, "bad-setting", "settings.stimulate"),
        ("observe", GOOD | {"lines": {"input": LINE, "output": LINE, "third": LINE}}, "bad-setting", "third"),
        ("observe", GOOD, "bad-setting", "observe"),
        ("stimulate", GOOD, "bad-setting", "unknown lines input, output"),
        ("probe", {"route": "virtual", "lines": {}}, "bad-setting", "no line to probe"),
        ("respond", GOOD | {"route": "gpiod"}, "no-route", "gpiod"),
    ],
)
def test_bad_settings_are_faults_that_leave_the_session_usable(
    board: VirtualBoard, task: str, settings: dict[str, Any], code: str, words: str
) -> None:
    board.agent.greet()
    board.agent.send(Configure(task, settings))
    fault = board.agent.next()
    assert isinstance(fault, Fault)
    assert (fault.code, fault.fatal) == (code, False)
    assert words in f"{fault.where} {fault.what}"
    assert board.agent.children() == {"workers": [], "keepers": []}, "nothing is left behind"
    board.agent.send(Inspect())
    assert board.agent.expect(Inspection)
    assert board.agent.bye() == 0


def test_worker_that_dies_before_the_start_is_told(board: VirtualBoard) -> None:
    board.agent.greet()
    board.agent.configure("respond", board.settings())
    (worker,) = board.agent.children()["workers"]
    os.kill(worker, signal.SIGKILL)
    fault = board.agent.next()
    assert isinstance(fault, Fault)
    assert fault.code == "responder-died"
    board.agent.send(Start())
    fault = board.agent.next()
    assert isinstance(fault, Fault)
    assert "no task" in fault.what


def test_probe_sets_the_output_low_at_the_end(board: VirtualBoard) -> None:
    board.agent.greet()
    line = {"chip": str(board.wires.path), "line": 0, "direction": "output"}
    board.agent.configure("probe", {"route": "virtual", "lines": {"gate": line}})
    board.agent.send(Probe({"gate": 1}, []))
    assert board.wires.change()[1] == 1
    board.agent.next()
    board.agent.send(Probe({"nothing": 1}, []))
    fault = board.agent.next()
    assert isinstance(fault, Fault)
    assert fault.code == "bad-setting"
    board.agent.kill()
    assert board.wires.changes_until_closed() == [0]


def test_inspection_tells_routes_and_environment(board: VirtualBoard) -> None:
    board.agent.greet()
    board.agent.send(Inspect())
    report = board.agent.expect(Inspection).report
    assert set(report) == {"chips", "problems", "routes", "responders", "environment"}
    for route in report["routes"].values():
        assert route["available"] or (route["why"] and route["remedy"])


def test_layouts_of_blocks(board: VirtualBoard) -> None:
    board.respond()
    board.pulse()
    stop(board)
    blocks = [message.block for message in board.agent.seen if isinstance(message, Stamps)]
    assert [block.layout for block in blocks] == [Layout.ANSWERS]
    assert NO_STAMP not in blocks[0].columns["edge_ns"]


def test_link_is_dead_after_an_error(board: VirtualBoard) -> None:
    board.agent.greet()
    board.agent.write(b"\0" * 32)
    expect_fatal(board, "no frame marker")
    with pytest.raises((RemoteError, EOFError)):
        board.agent.next()
