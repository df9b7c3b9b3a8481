import pytest

from edgereply.board.client import BoardClient
from edgereply.errors import BoardError, HostError, LinkError, SettingError
from edgereply_protocol import Bye, Configure, Configured, Message, Progress, Start, Stop, Stopped
from tests.fakes.board_link import FakeAgentLink, refuse


def is_running(client: BoardClient) -> bool:
    return client.running


def greeted(link: FakeAgentLink) -> BoardClient:
    client = BoardClient(link)
    client.greet(1.0)
    return client


def test_a_whole_conversation() -> None:
    link = FakeAgentLink(banner=b"Welcome!\r\nLast login: today\r\n")
    client = greeted(link)
    assert client.hello.environment == {"kernel": "fake"}
    assert client.configure("respond", {"route": "virtual"}).in_effect == {"route": "virtual"}
    assert client.start().board_ns == 1_000
    link.say(Progress(5, 0, 0, 2_000))
    assert client.running
    assert client.poll() == [Progress(5, 0, 0, 2_000)]
    client.stop()
    assert client.poll() == [Stopped(0, 0, 0, "asked to")]
    assert not is_running(client)
    client.close()
    assert link.closed


@pytest.mark.parametrize(
    ("code", "error", "exit_code"),
    [("unknown-line", SettingError, 2), ("no-route", SettingError, 2), ("busy-line", BoardError, 3)],
)
def test_a_fault_becomes_an_error_with_place_and_remedy(code: str, error: type[HostError], exit_code: int) -> None:
    client = greeted(FakeAgentLink(reactions={Configure: refuse(code, "the line is not there")}))
    with pytest.raises(error) as caught:
        client.configure("respond", {})
    assert caught.value.exit_code == exit_code
    assert caught.value.where == "fake board: line EYE_IN"
    assert caught.value.remedy == "free the line"


def test_after_a_fault_the_link_is_still_good() -> None:
    def again(_: Message) -> list[Message]:
        return [Configured({"route": "again"})]

    answers = iter([refuse("busy-line", "taken"), again])
    client = greeted(FakeAgentLink(reactions={Configure: lambda message: next(answers)(message)}))
    with pytest.raises(BoardError):
        client.configure("respond", {})
    assert client.configure("respond", {}).in_effect == {"route": "again"}


def test_no_agent_there_quotes_what_came_instead() -> None:
    link = FakeAgentLink()
    link._out = b"sh: python3: not found\n"
    link.cut = True
    client = BoardClient(link)
    with pytest.raises(LinkError):
        client.greet(0.3)
    link = FakeAgentLink()
    link._out = b"sh: python3: not found\n"
    with pytest.raises(LinkError, match="python3: not found"):
        BoardClient(link).greet(0.3)


def test_silence_ends_with_the_time_out() -> None:
    client = greeted(FakeAgentLink(reactions={Start: lambda _: []}))
    client.configure("respond", {})
    with pytest.raises(LinkError, match="no nonetype"):
        client._await(type(None), 0.2)


def test_garbage_in_the_stream_is_a_link_error() -> None:
    link = FakeAgentLink()
    client = greeted(link)
    link.inject(b"kernel: oops, printed on the same line\n")
    with pytest.raises(LinkError, match="something else wrote into the link"):
        client.poll()


def test_the_end_of_the_stream_is_a_link_error() -> None:
    link = FakeAgentLink()
    client = greeted(link)
    client.poll()
    link.cut = True
    with pytest.raises(LinkError, match=r"^fake board: the link to the board broke off; check the board"):
        client.poll()
    client.close()


def test_a_link_that_broke_off_stays_a_link_error(monkeypatch: pytest.MonkeyPatch) -> None:
    link = FakeAgentLink()
    client = greeted(link)
    client.configure("respond", {})
    client.start()
    client.poll()
    link.cut = True
    with pytest.raises(LinkError, match=r"^fake board: the link to the board broke off; check the board"):
        client.poll()
    monkeypatch.setattr("edgereply.board.client.PING_S", 0.0)
    for again in (client.poll, client.ping, client.inspect, client.start):
        with pytest.raises(LinkError, match=r"^fake board: the link to the board broke off"):
            again()
    client.stop()
    client.close()


def test_an_agent_that_was_ended_on_the_board_is_told_from_a_cut_link() -> None:
    link = FakeAgentLink()
    client = greeted(link)
    link.say(Bye())
    client.poll()
    link.cut = True
    for again in (client.poll, client.ping):
        with pytest.raises(LinkError, match="the agent was ended on the board"):
            again()
    client.close()


def test_stop_is_asked_for_once() -> None:
    link = FakeAgentLink()
    client = greeted(link)
    client.stop()
    client.configure("respond", {})
    client.start()
    client.stop()
    client.stop()
    assert sum(isinstance(message, Stop) for message in link.heard) == 1
