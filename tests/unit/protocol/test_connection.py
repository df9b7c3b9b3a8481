import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.unit.protocol.helpers import ANSWERS, EVENTS, SAMPLES, Joined, frame_of, stream_of, taken

from edgereply_protocol import (
    MAX_PAYLOAD,
    NEWEST,
    OLDEST,
    OVERHEAD,
    Bye,
    Configure,
    Configured,
    Connection,
    Fault,
    Frame,
    Hello,
    Inspect,
    Inspection,
    LocalError,
    Message,
    Ping,
    Pong,
    Probe,
    Probed,
    Progress,
    RemoteError,
    Role,
    Stamps,
    Start,
    Started,
    State,
    Stop,
    Stopped,
    VersionMismatch,
    encode_frame,
    encode_message,
)

HOST, AGENT = Role.HOST, Role.AGENT
GREETING = SAMPLES["hello-agent"]
# What an agent says in one conversation: one of each of its messages.
AGENT_SAYS: list[Message] = [
    GREETING,
    Inspection({"lines": 54}),
    Configured({}, []),
    Probed({"input": 0}),
    Started(5),
    Progress(1, 0, 0, 6),
    Stamps(ANSWERS),
    Stamps(EVENTS),
    Pong(1, 2, 3),
    Fault("lost-line", "unplugged"),
    Stopped(1, 0, 0, "asked"),
    Bye(),
]
HOST_SAYS_BEFORE: dict[int, Message] = {
    1: Inspect(),
    2: Configure("respond", {}),
    3: Probe({}, ["input"]),
    4: Start(),
    8: Ping(1),
    10: Stop(),
}


def test_a_whole_conversation_leaves_both_ends_in_one_state() -> None:
    link = Joined()
    link.greet()
    assert link.state() is State.READY
    assert {link.ends[role].version for role in Role} == {NEWEST}
    for index, message in enumerate(AGENT_SAYS[1:], start=1):
        if index in HOST_SAYS_BEFORE:
            link.say(HOST, HOST_SAYS_BEFORE[index])
        link.say(AGENT, message)
    assert link.state() is State.CLOSED


def messages_in(chunks: list[bytes]) -> list[Message]:
    """Read a conversation; the host's state follows what the agent says next."""
    host = Connection(HOST, "test")
    host.send(host.hello())
    heard: list[Message] = []
    asked = 0
    for chunk in chunks:
        host.receive_data(chunk)
        while True:
            if asked == len(heard):
                asked += 1
                if len(heard) in HOST_SAYS_BEFORE:
                    host.send(HOST_SAYS_BEFORE[len(heard)])
            message = host.next_message()
            if message is None:
                break
            heard.append(message)
    return heard


STREAM = stream_of(*AGENT_SAYS)


def test_whole() -> None:
    assert messages_in([STREAM]) == AGENT_SAYS


def test_byte_by_byte_after_a_banner() -> None:
    data = b"Last login: never\r\n" + STREAM
    assert messages_in([data[at : at + 1] for at in range(len(data))]) == AGENT_SAYS


@pytest.mark.parametrize("index", range(len(AGENT_SAYS)))
def test_trailing_bytes_do_not_disturb_a_message(index: int) -> None:
    following = frame_of(Ping(1), index + 1)
    data = stream_of(*AGENT_SAYS[: index + 1])
    for extra in range(len(following)):
        assert messages_in([data + following[:extra]]) == AGENT_SAYS[: index + 1]


@pytest.mark.parametrize("change", [1, 0x80, 0xFF])
def test_no_flipped_byte_gives_a_wrong_message(change: int) -> None:
    for at in range(len(STREAM)):
        damaged = bytearray(STREAM)
        damaged[at] ^= change
        heard: list[Message] = []
        try:
            heard = messages_in([bytes(damaged)])
        except RemoteError:
            continue
        assert heard == [], "only the first frame may be waited for, as if it were a banner"
        assert at < len(frame_of(GREETING))


def random_frames() -> st.SearchStrategy[bytes]:
    payloads = st.binary(max_size=60) | st.sampled_from([encode_message(message) for message in SAMPLES.values()])
    return st.builds(Frame, st.integers(0, 20), st.integers(0, 3), payloads).map(encode_frame)


@given(
    st.sampled_from(Role),
    st.lists(random_frames() | st.binary(max_size=50) | st.sampled_from([frame_of(m) for m in SAMPLES.values()])),
)
@settings(max_examples=300)
def test_random_input_raises_nothing_but_remote_error(role: Role, chunks: list[bytes]) -> None:
    connection = Connection(role, "test")
    for chunk in chunks:
        connection.receive_data(chunk)
        try:
            for message in taken(connection):
                assert isinstance(message, (Hello, Fault, Bye, Inspect, Configure, Ping, Pong, Stop))
        except RemoteError:
            assert connection.state is State.CLOSED
            break
        assert connection._reader.pending < OVERHEAD + MAX_PAYLOAD


def test_greetings_may_cross() -> None:
    host, agent = Connection(HOST, "h"), Connection(AGENT, "a")
    from_host, from_agent = host.send(host.hello()), agent.send(agent.hello({"routes": {}}, {"hz": 250}))
    agent.receive_data(from_host)
    host.receive_data(from_agent)
    assert agent.next_message() == Hello("host", "h", OLDEST, NEWEST, {}, {})
    assert host.next_message() == Hello("agent", "a", OLDEST, NEWEST, {"routes": {}}, {"hz": 250})
    assert host.state is agent.state is State.READY
    assert host.version == agent.version == NEWEST


@pytest.mark.parametrize("role", Role)
def test_nobody_greets_twice(role: Role) -> None:
    connection = Connection(role, "test")
    connection.send(connection.hello())
    with pytest.raises(LocalError, match="Hello is not allowed"):
        connection.send(connection.hello())


def test_stop_and_stopped_may_cross_and_the_next_task_is_clean() -> None:
    link = Joined()
    link.greet()
    link.say(HOST, Configure("respond", {}))
    link.say(AGENT, Configured({}))
    link.say(HOST, Start())
    link.say(AGENT, Started(1))
    host, agent = link.ends[HOST], link.ends[AGENT]
    stop = host.send(Stop())
    last_words = agent.send(Stamps(ANSWERS)) + agent.send(Stopped(3, 0, 0, "count reached"))
    host.receive_data(last_words)
    agent.receive_data(stop)
    assert [type(message) for message in taken(host)] == [Stamps, Stopped]
    assert list(taken(agent)) == [Stop()]
    assert link.state() is State.READY
    link.say(HOST, Configure("probe", {}))


def test_what_crosses_a_goodbye_is_dropped() -> None:
    link = Joined()
    link.greet()
    host, agent = link.ends[HOST], link.ends[AGENT]
    goodbye, ping = agent.send(Bye()), host.send(Ping(1)) + host.send(Bye())
    host.receive_data(goodbye)
    agent.receive_data(ping)
    assert host.next_message() is None
    assert agent.next_message() is None
    host.receive_eof()
    agent.receive_eof()


@pytest.mark.parametrize(
    ("hello", "text"),
    [
        (Hello("host", "x", 1, 1), "says it is 'host', expected 'agent'"),
        (Hello("x" * 1000, "x", 1, 1), "says it is 'x{40}',"),
        (Hello("agent", "x", NEWEST + 1, NEWEST + 3), "update the host"),
        (Hello("agent", "x", -1, 2**62), "no range"),
    ],
)
def test_bad_greetings_close_the_link(hello: Hello, text: str) -> None:
    host = Connection(HOST, "test")
    host.receive_data(frame_of(hello))
    with pytest.raises(RemoteError, match=text):
        host.next_message()
    assert host.state is State.CLOSED
    assert host.version == 0


def test_an_agent_can_say_why_it_refused_a_version() -> None:
    agent, host = Connection(AGENT, "a"), Connection(HOST, "h")
    host.send(host.hello())
    agent.receive_data(frame_of(Hello("host", "h", NEWEST + 1, NEWEST + 1)))
    with pytest.raises(VersionMismatch) as caught:
        agent.next_message()
    refusal = Fault("internal", str(caught.value), fatal=True)
    host.receive_data(agent.send(refusal))
    assert host.next_message() == refusal
    assert host.state is State.CLOSED


@pytest.mark.parametrize(
    "message",
    [Configure("respond", {"x": "y" * MAX_PAYLOAD}), Configure("respond", {"x": b""}), Inspection({})],
    ids=["too large", "not JSON", "the other end's"],
)
def test_a_refused_send_changes_nothing(message: Message) -> None:
    link = Joined()
    link.greet()
    with pytest.raises(LocalError):
        link.ends[HOST].send(message)
    assert link.state() is State.READY
    link.say(HOST, Inspect())


def test_a_closed_connection_says_and_hears_nothing() -> None:
    host = Connection(HOST, "test")
    host.receive_data(frame_of(Inspect()) + frame_of(GREETING, 1))
    for _ in range(2):
        with pytest.raises(RemoteError):
            host.next_message()
    with pytest.raises(LocalError, match="while the link is closed"):
        host.send(host.hello())


def test_an_end_before_any_frame_shows_all_that_was_printed() -> None:
    for take in (True, False):
        host = Connection(HOST, "test")
        host.receive_data(b"\x1b[31msh: 1: python3: not found\n")
        if take:
            assert host.next_message() is None
        assert host.skipped == b"\x1b[31msh: 1: python3: not found\n"
        with pytest.raises(RemoteError, match=r"ended while greeting; the far end printed: \[31m.*python3: not found$"):
            host.receive_eof()
        host.receive_eof()


def test_an_end_inside_a_frame_is_told_from_one_between_frames() -> None:
    for cut, text in ((0, "ended while ready$"), (5, r"ended while ready inside a frame \(5 bytes of it came\)")):
        link = Joined()
        link.greet()
        host = link.ends[HOST]
        host.receive_data(frame_of(Fault("internal", "x"), 1)[:cut])
        assert host.next_message() is None
        with pytest.raises(RemoteError, match=text):
            host.receive_eof()
        assert host.state is State.CLOSED


UNASKED: list[Message] = [GREETING, Inspection({}), Configured({}, []), Probed({}), Started(5), Progress(1, 0, 0, 6),
                          Stamps(ANSWERS), Stopped(1, 0, 0, "asked"), Inspect(), Stop()]  # fmt: skip


@pytest.mark.parametrize("message", UNASKED, ids=lambda message: type(message).__name__)
def test_what_nobody_may_say_now_closes_the_link(message: Message) -> None:
    """A host that has been greeted and has asked for nothing."""
    host = Connection(HOST, "h")
    host.send(host.hello())
    host.receive_data(encode_frame(Frame(GREETING.TYPE, 0, encode_message(GREETING))))
    assert isinstance(host.next_message(), Hello)
    host.receive_data(encode_frame(Frame(message.TYPE, 1, encode_message(message))))
    with pytest.raises(RemoteError, match=f"{type(message).__name__} came while the link was ready"):
        host.next_message()
    assert host.state is State.CLOSED
