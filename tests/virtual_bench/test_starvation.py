"""A spinning real-time responder on a board with one CPU and no throttling: refused, and ended where it comes later."""

from __future__ import annotations

import contextlib
import subprocess
from collections.abc import Iterator

import pytest

from edgereply.board import client as client_module
from edgereply.board import ssh as ssh_module
from edgereply.board.bundle import build_bundle
from edgereply.board.client import BoardClient
from edgereply.board.ssh import start_over_ssh
from edgereply.board.translation import responder_settings
from edgereply.config.settings import Board, Line
from edgereply.errors import SettingError
from edgereply.system.deadline import Deadline
from edgereply_protocol import Fault, Json, Message, Stopped
from tests.virtual_bench.bench import VirtualBench
from tests.virtual_board import VirtualBoard

pytestmark = pytest.mark.virtual_board
THROTTLE = "/proc/sys/kernel/sched_rt_runtime_us"
GUARD_S = 3
# The board's seconds are instructions counted: some of ours each, many on a crowded computer.
PATIENCE_S = 300.0
SPINNING = Board(link="ssh", host="x", wait="spin", input=Line(line="EYE_IN"), output=Line(line="REJECT_OUT"))


def settings() -> Json:
    """Spin at a real-time priority."""
    realtime = SPINNING.realtime.model_dump() | {"fifo_priority": 50}
    return responder_settings(SPINNING, 1024) | {"realtime": realtime, "dead_man_s": GUARD_S}


@contextlib.contextmanager
def greeted(board: VirtualBoard) -> Iterator[BoardClient]:
    """The agent on the board."""
    client = BoardClient(start_over_ssh(board.host, build_bundle(), config=str(board.ssh_config)))
    try:
        client.greet()
        yield client
    finally:
        client.close()


@contextlib.contextmanager
def throttle_restored(board: VirtualBoard) -> Iterator[None]:
    """Whatever happens, the next test gets a board that runs and throttles."""
    try:
        yield
        board.run(f"echo 950000 > {THROTTLE}", 60, root=True)
    except BaseException:
        board.kill()
        raise


def test_the_board_comes_back(bench: VirtualBench, monkeypatch: pytest.MonkeyPatch) -> None:
    # A board that is stuck says nothing, and neither we nor ssh give it up.
    monkeypatch.setattr(client_module, "SILENCE_S", PATIENCE_S)
    plain = ssh_module.ssh_command
    patient = {"ServerAliveInterval=5": "ServerAliveInterval=0"}
    monkeypatch.setattr(
        ssh_module, "ssh_command", lambda *arguments: [patient.get(word, word) for word in plain(*arguments)]
    )
    board = bench.board
    with throttle_restored(board), greeted(board) as client:
        board.run(f"echo -1 > {THROTTLE}", 30, root=True)
        with pytest.raises(SettingError, match="throttling is off and the agent has no other CPU") as refused:
            client.configure("respond", settings())
        assert "950000" in refused.value.remedy
        board.run(f"echo 950000 > {THROTTLE}", 30, root=True)

        in_effect = client.configure("respond", settings()).in_effect
        assert (in_effect["realtime"]["fifo_priority"], in_effect["guard_s"]) == (50, GUARD_S)
        client.start()
        # The command is not waited for: with the throttle gone it does not get to its end.
        command = board.ssh_command(f"exec sh -c 'echo -1 > {THROTTLE}'", root=True)
        with subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL) as turning_off:
            said: list[Message] = []
            patience = Deadline(PATIENCE_S)
            while not any(isinstance(message, Stopped) for message in said):
                assert not patience.expired(), f"the board stays stuck: {said[-3:]}"
                said += client.poll(0.2)
            turning_off.wait(60)
        (fault,) = (message for message in said if isinstance(message, Fault))
        assert fault.code == "responder-died"
        assert "the responder let nothing else run: the agent stood still for 3 s" in fault.what
        assert "950000" in fault.remedy
        assert board.run(f"cat {THROTTLE}", 60).strip() == "-1", "what did it was the guard"
        assert bench.output_level() == "0"
        # The session is still good for another run.
        client.configure("respond", settings() | {"wait": "block"})
