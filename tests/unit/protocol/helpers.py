"""One sample of every message, connections in any state, and two of them joined."""

from array import array
from collections.abc import Iterator

from edgereply_protocol import (
    MESSAGES,
    NO_STAMP,
    Block,
    Bye,
    Configure,
    Configured,
    Connection,
    Fault,
    Frame,
    Hello,
    Inspect,
    Inspection,
    Layout,
    Message,
    Ping,
    Pong,
    Probe,
    Probed,
    Progress,
    Role,
    Stamps,
    Start,
    Started,
    State,
    Stop,
    Stopped,
    Traced,
    encode_frame,
    encode_message,
)

ANSWERS = Block(
    Layout.ANSWERS,
    4096,
    {
        "edge_ns": array("q", [1_000_000_000, 1_002_000_000, NO_STAMP]),
        "wake_ns": array("q", [1_000_050_100, NO_STAMP, 1_004_051_000]),
        "set_ns": array("q", [1_000_051_900, 1_002_052_000, 1_004_053_000]),
        "clear_ns": array("q", [1_000_060_000, 2**63 - 1, -1]),
        "seqno": array("I", [4097, 4098, 2**32 - 1]),
        "line_seqno": array("I", [4097, 4098, 0]),
    },
)
EVENTS = Block(
    Layout.EVENTS,
    0,
    {
        "kind": array("B", [1, 2, 3, 1]),
        "at_ns": array("q", [0, 61_250, 161_250, 2_000_000]),
        "seqno": array("I", [1, 2, 3, 4]),
    },
)
TRACE = Block(
    Layout.TRACE,
    7,
    {
        "kind": array("B", [5, 6, 1]),
        "at_ns": array("q", [999_990_000, 1_000_020_000, 1_000_021_000]),
        "cpu": array("I", [0, 3, 3]),
        "number": array("I", [812, 813, 24]),
        "priority": array("I", [120, 49, 0]),
        "name": array("I", [0, 1, 2]),
        "before": array("I", [0, 3, 0]),
        "before_priority": array("I", [120, 0, 0]),
        "before_state": array("I", [0, 0, 0]),
        "before_name": array("I", [3, 0, 0]),
    },
)

SAMPLES: dict[str, Message] = {
    "hello-host": Hello("host", "edgereply 0.1.0", 1, 1),
    "hello-agent": Hello(
        "agent",
        "edgereply-agent 0.1.0",
        1,
        1,
        {"routes": {"chardev": {"available": True, "why": "", "remedy": ""}}, "waits": ["block", "spin"]},
        {"kernel": "6.1.0", "hz": 250, "governor": None, "degrees": 48.5, "place": "Abfüllung №2 🏭"},
    ),
    "inspect": Inspect(),
    "inspection": Inspection({"chips": [{"name": "gpiochip0", "lines": 54}]}),
    "configure": Configure("respond", {"route": "chardev", "wait": "block", "hold_ns": 0, "cpus": [3]}),
    "configured": Configured({"wait": "block", "event_buffer": 1024}, ["no real-time priority: run as root"]),
    "start": Start(),
    "started": Started(81_000_000_000),
    "stamps-answers": Stamps(ANSWERS),
    "stamps-events": Stamps(EVENTS),
    "progress": Progress(120_000, 2, 0, 82_000_000_000, {"temperature": 51}),
    "stop": Stop(),
    "stopped": Stopped(120_000, 2, 0, "asked", {"context_switches": 7}),
    "fault": Fault("busy-line", "line 17 is taken", "gpiochip0", "free it", False),
    "ping": Ping(7),
    "pong": Pong(7, 83_000_000_000, 83_000_090_000),
    "probe": Probe({"output": 1}, ["input"]),
    "probed": Probed({"input": 1, "output": 1}),
    "bye": Bye(),
    "traced": Traced(
        {
            "answers": [
                {"edge_ns": 1_000_000_000, "set_ns": 1_001_200_000, "why": "late", "rows": 3, "whole": True},
            ],
            "names": ["label-printer", "edgereply", "eth0", "swapper/0"],
        },
        TRACE,
    ),
}


def sample(kind: type[Message], role: Role) -> Message:
    """A message of this kind as `role` would say it."""
    if kind is Hello:
        return SAMPLES[f"hello-{role.value}"]
    return next(message for message in SAMPLES.values() if type(message) is kind)


def frame_of(message: Message, sequence: int = 0) -> bytes:
    """Wire bytes of a message, whether legal now or not."""
    return encode_frame(Frame(message.TYPE, sequence, encode_message(message)))


def stream_of(*messages: Message) -> bytes:
    """Wire bytes of messages one after another."""
    return b"".join(frame_of(message, sequence) for sequence, message in enumerate(messages))


def connection_in(state: State, role: Role) -> Connection:
    """A connection put into a state."""
    connection = Connection(role, "test")
    connection.state = state
    return connection


def taken(connection: Connection) -> Iterator[Message]:
    """Messages until none is left."""
    while (message := connection.next_message()) is not None:
        yield message


class Joined:
    """Two connections joined: whatever one says is checked at both ends."""

    def __init__(self) -> None:
        self.ends = {role: Connection(role, f"test {role.value}") for role in Role}

    def state(self) -> State:
        """The one state both ends are in."""
        host, agent = self.ends[Role.HOST].state, self.ends[Role.AGENT].state
        assert host is agent
        return host

    def say(self, role: Role, message: Message) -> Message:
        """Send from `role`; returns what arrives, which must be the same and alone."""
        other = self.ends[Role.AGENT if role is Role.HOST else Role.HOST]
        other.receive_data(self.ends[role].send(message))
        (arrived,) = taken(other)
        assert arrived == message
        assert self.state() is other.state
        return arrived

    def greet(self) -> None:
        """Both greetings, the host's first."""
        for role in (Role.HOST, Role.AGENT):
            self.say(role, self.ends[role].hello())


assert {type(message) for message in SAMPLES.values()} == set(MESSAGES.values())
