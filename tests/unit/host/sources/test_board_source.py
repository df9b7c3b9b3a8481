from array import array

import numpy as np
import pytest

from edgereply.board.client import BoardClient
from edgereply.errors import BoardError, LinkError, SourceError
from edgereply.sources.base import StimulusPlan
from edgereply.sources.board import SHORTEST_GAP_NS, BoardSource
from edgereply_protocol import Block, Configure, Fault, Layout, Probe, Probed, Progress, Stamps, Stop, Stopped
from tests.conformance.pulse_source import read_to_end
from tests.fakes.board_link import FakeAgentLink

SETTINGS = {"route": "chardev", "lines": {"stimulus": {"line": "STIM_OUT"}, "capture": {"line": "CAPTURE_IN"}}}


def emitting(link: FakeAgentLink) -> BoardSource:
    client = BoardClient(link)
    client.greet(1.0)
    source = BoardSource(client, "self", SETTINGS)
    source.arm(StimulusPlan(count=3))
    source.start()
    return source


def events(*pairs: tuple[int, int]) -> Stamps:
    columns = {"kind": array("B", [k for k, _ in pairs]), "at_ns": array("q", [t for _, t in pairs]),
               "seqno": array("I", range(len(pairs)))}  # fmt: skip
    return Stamps(Block(Layout.EVENTS, 0, columns))


def test_a_run_of_the_board_becomes_batches_in_order_and_its_losses_are_counted_once() -> None:
    link = FakeAgentLink()
    source = emitting(link)
    for message in (events((2, 900), (1, 500)), Progress(1, 2, 1, 0), events((1, 5_000)), Stopped(2, 3, 1, "done")):
        link.say(message)
    batches = read_to_end(source)
    assert np.concatenate([batch.at_ns for batch in batches]).tolist() == [500, 900, 5_000]
    assert np.concatenate([batch.kind for batch in batches]).tolist() == [1, 2, 1]
    assert sum(batch.lost for batch in batches) == 4
    assert source.read(0.0) is None


def test_arming_asks_for_the_plan_and_an_inverted_one_turns_the_line_round() -> None:
    link = FakeAgentLink()
    client = BoardClient(link)
    client.greet(1.0)
    source = BoardSource(client, "board", SETTINGS)
    source.arm(StimulusPlan(count=7, inverted=True))
    (configure,) = (message for message in link.heard if isinstance(message, Configure))
    assert configure.task == "stimulate"
    assert configure.settings["plan"]["count"] == 7
    assert configure.settings["lines"]["stimulus"]["active_low"] is True
    assert "active_low" not in configure.settings["lines"]["capture"]


def test_starting_needs_arming_and_an_abort_disarms() -> None:
    client = BoardClient(FakeAgentLink())
    client.greet(1.0)
    source = BoardSource(client, "self", SETTINGS)
    with pytest.raises(SourceError, match="no run is armed"):
        source.start()
    source.arm(StimulusPlan(count=3))
    source.abort()
    with pytest.raises(SourceError, match="no run is armed"):
        source.start()


def test_the_level_is_probed_while_no_run_has_the_line() -> None:
    link = FakeAgentLink(reactions={Probe: lambda _: [Probed({"capture": 1})]})
    client = BoardClient(link)
    client.greet(1.0)
    source = BoardSource(client, "self", SETTINGS)
    assert source.level() == 1
    configure, asked, stop = (message for message in link.heard if isinstance(message, Configure | Probe | Stop))
    assert isinstance(asked, Probe)
    assert isinstance(stop, Stop), "the line is given back"
    assert isinstance(configure, Configure)
    assert configure.settings["lines"] == {"capture": {"line": "CAPTURE_IN", "direction": "input"}}
    source.arm(StimulusPlan(count=3))
    assert source.level() is None
    source.start()
    assert source.level() is None
    assert not any(isinstance(message, Probe) for message in link.heard[-2:])


def test_an_abort_waits_for_the_board_to_have_stopped() -> None:
    link = FakeAgentLink()
    source = emitting(link)
    source.abort()
    source.abort()
    assert sum(isinstance(message, Stop) for message in link.heard) == 1
    batch = source.read(0.0)
    assert batch is not None
    assert batch.done


def test_a_link_that_broke_off_is_a_link_error_also_when_aborting(monkeypatch: pytest.MonkeyPatch) -> None:
    link = FakeAgentLink()
    source = emitting(link)
    source.read(0.0)
    link.cut = True
    monkeypatch.setattr("edgereply.board.client.PING_S", 60.0)
    with pytest.raises(LinkError):
        source.read(0.1)
    monkeypatch.setattr("edgereply.board.client.PING_S", 0.0)
    with pytest.raises(LinkError):
        source.abort()
    source.close()


def test_a_fault_of_the_board_is_told() -> None:
    link = FakeAgentLink()
    source = emitting(link)
    link.say(Fault("responder-died", "the emitter died"))
    with pytest.raises(BoardError, match="emitter died"):
        source.read(0.1)


def test_gaps_go_to_the_board_only_with_pairs_so_that_older_agents_are_not_asked_for_what_they_do_not_know() -> None:
    link = FakeAgentLink()
    client = BoardClient(link)
    client.greet(1.0)
    source = BoardSource(client, "self", SETTINGS)
    source.arm(StimulusPlan(count=3))
    took = source.arm(StimulusPlan(count=3, pattern="pairs", longest_gap_ns=1_000_000))
    plain, paired = (message.settings["plan"] for message in link.heard if isinstance(message, Configure))
    assert not {"shortest_gap_ns", "longest_gap_ns"} & set(plain)
    assert (paired["shortest_gap_ns"], paired["longest_gap_ns"]) == (SHORTEST_GAP_NS, 1_000_000)
    assert took.shortest_gap_ns == source.identity.shortest_gap_ns == SHORTEST_GAP_NS
