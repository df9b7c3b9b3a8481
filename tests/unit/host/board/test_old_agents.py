"""Today's host with agents of earlier versions, as they were recorded."""

import pytest

from edgereply.board.client import BoardClient
from edgereply.board.translation import responder_settings
from edgereply.config.load import Load
from edgereply.config.settings import Board
from edgereply.errors import BoardError
from edgereply.measurement.observing import configure_observer
from edgereply_protocol import Stamps, Stopped
from tests.fakes.conversations import NAMES, OldAgent, recorded

BOARD = Board(link="local", route="virtual")


@pytest.mark.parametrize("name", NAMES)
def test_a_whole_run_with_an_old_agent(name: str) -> None:
    link = OldAgent(name)
    then = {type(said.message).__name__: said.message for said in recorded(name)}
    client = BoardClient(link)
    assert client.greet(1.0) == then["Hello"]
    assert client.configure("respond", responder_settings(BOARD, 65_536)) == then["Configured"]
    assert client.start() == then["Started"]
    (stamps,) = (message for message in client.poll() if isinstance(message, Stamps))
    assert stamps == then["Stamps"]
    assert stamps.block.rows == 5
    client.stop()
    assert client.poll() == [then["Stopped"]]
    assert isinstance(then["Stopped"], Stopped)
    assert then["Stopped"].answered == 5
    client.close()


@pytest.mark.parametrize(
    ("changes", "named"),
    [({"load": Load(cpu=1)}, "load"), ({"responder": "floor"}, "responder")],
)
def test_what_an_old_agent_would_leave_out_is_refused(changes: dict[str, object], named: str) -> None:
    board = BOARD.model_copy(update=changes)
    client = BoardClient(OldAgent("v1-first"))
    client.greet(1.0)
    with pytest.raises(BoardError, match=f"edgereply-agent 0.1.0. is too old for: {named}") as raised:
        client.configure("respond", responder_settings(board, 65_536))
    assert raised.value.exit_code == 3
    assert "its own agent" in raised.value.remedy


def test_an_agent_that_mirrors_them_is_asked_for_load_and_floor() -> None:
    for changes in ({"load": Load(cpu=1)}, {"responder": "floor"}):
        client = BoardClient(OldAgent("v1-load"))
        client.greet(1.0)
        client.configure("respond", responder_settings(BOARD.model_copy(update=changes), 65_536))


def test_load_beside_an_observer_is_refused_by_old_agents_too() -> None:
    client = BoardClient(OldAgent("v1-first"))
    client.greet(1.0)
    with pytest.raises(BoardError, match="is too old for: load"):
        configure_observer(client, BOARD.model_copy(update={"load": Load(cpu=1)}), 1024)
