from itertools import product

import pytest
from tests.unit.protocol.helpers import connection_in, frame_of, sample, taken

from edgereply_protocol import (
    MESSAGES,
    TRANSITIONS,
    Fault,
    LocalError,
    Message,
    RemoteError,
    Role,
    State,
    after,
)

# A second copy of the table, by hand, so that no line of the first changes unseen: state, speaker, message → state.
BY_HAND = """
GREETING host Hello HOST_GREETED     | GREETING agent Hello AGENT_GREETED   | GREETING agent Fault CLOSED
HOST_GREETED agent Hello READY       | AGENT_GREETED host Hello READY       | HOST_GREETED agent Fault CLOSED
READY host Inspect INSPECTING        | READY host Configure CONFIGURING     | READY host Stop READY
READY agent Fault READY              | INSPECTING agent Inspection READY    | INSPECTING agent Fault READY
CONFIGURING agent Configured CONFIGURED                                     | CONFIGURING agent Fault READY
CONFIGURED host Configure CONFIGURING | CONFIGURED host Probe PROBING       | CONFIGURED host Start STARTING
CONFIGURED host Stop STOPPING        | CONFIGURED agent Fault CONFIGURED    | PROBING agent Probed CONFIGURED
PROBING agent Fault CONFIGURED       | STARTING agent Started RUNNING       | STARTING agent Fault READY
RUNNING agent Traced RUNNING         | STOPPING agent Traced STOPPING
RUNNING agent Stamps RUNNING         | RUNNING agent Progress RUNNING       | RUNNING agent Fault RUNNING
RUNNING agent Stopped READY          | RUNNING host Stop STOPPING           | STOPPING agent Stamps STOPPING
STOPPING agent Progress STOPPING     | STOPPING agent Fault STOPPING        | STOPPING agent Stopped READY
"""
TALKING = [
    State.READY, State.INSPECTING, State.CONFIGURING, State.CONFIGURED, State.PROBING, State.STARTING, State.RUNNING,
    State.STOPPING,
]  # fmt: skip
SILENT = [State.GREETING, State.HOST_GREETED, State.AGENT_GREETED]
# Only an answer or a fatal fault may be sent here; see the module's head.
AMBIGUOUS = {
    (State.READY, "Inspect"),
    (State.READY, "Configure"),
    (State.CONFIGURED, "Configure"),
    (State.CONFIGURED, "Probe"),
    (State.CONFIGURED, "Start"),
}
FATAL = Fault("internal", "out of memory", fatal=True)
EVERY = list(product(State, Role, MESSAGES.values()))


def other(role: Role) -> Role:
    return Role.AGENT if role is Role.HOST else Role.HOST


def name_of(value: object) -> str:
    return value.__name__ if isinstance(value, type) else str(getattr(value, "name", value))


def test_the_table_is_the_one_written_by_hand() -> None:
    kinds = {kind.__name__: kind for kind in MESSAGES.values()}
    wanted: dict[tuple[State, Role, type[Message]], State] = {}
    for line in BY_HAND.replace("\n", "|").split("|"):
        if line.strip():
            before, speaker, said, following = line.split()
            wanted[State[before], Role(speaker), kinds[said]] = State[following]
    for state in TALKING:
        wanted[state, Role.HOST, kinds["Ping"]] = state
        wanted[state, Role.AGENT, kinds["Pong"]] = state
    for state, role in product(TALKING + SILENT, Role):
        wanted[state, role, kinds["Bye"]] = State.CLOSED
    assert wanted == TRANSITIONS


@pytest.mark.parametrize(("state", "role", "kind"), EVERY, ids=name_of)
def test_both_ends_agree_on_every_message(state: State, role: Role, kind: type[Message]) -> None:
    message = sample(kind, role)
    following = TRANSITIONS.get((state, role, kind))
    speaker, listener = connection_in(state, role), connection_in(state, other(role))
    listener.receive_data(frame_of(message))
    if following is None:
        with pytest.raises(LocalError, match=f"{kind.__name__} is not allowed while the link is {state.value}"):
            speaker.send(message)
        assert speaker.state is state
        with pytest.raises(RemoteError, match=f"{kind.__name__} came while the link was {state.value}"):
            listener.next_message()
        assert listener.state is State.CLOSED
    else:
        assert speaker.send(message) == frame_of(message), "a refused message must not use up a sequence number"
        assert listener.next_message() == message
        assert speaker.state is listener.state is following


@pytest.mark.parametrize("state", State)
def test_a_fatal_fault_of_the_agent_closes_any_state(state: State) -> None:
    agent, host = connection_in(state, Role.AGENT), connection_in(state, Role.HOST)
    host.receive_data(agent.send(FATAL))
    assert host.next_message() == FATAL
    assert agent.state is host.state is State.CLOSED
    assert after(state, Role.HOST, FATAL) is None


CROSSINGS = [
    (state, said, answered)
    for state in State
    for said, answered in product(MESSAGES.values(), MESSAGES.values())
    if (state, Role.HOST, said) in TRANSITIONS and (state, Role.AGENT, answered) in TRANSITIONS
]


@pytest.mark.parametrize(("state", "said", "answered"), CROSSINGS, ids=name_of)
def test_messages_that_cross_leave_both_ends_in_one_state(
    state: State, said: type[Message], answered: type[Message]
) -> None:
    host, agent = connection_in(state, Role.HOST), connection_in(state, Role.AGENT)
    to_agent = host.send(sample(said, Role.HOST))
    to_host = agent.send(sample(answered, Role.AGENT))
    host.receive_data(to_host)
    agent.receive_data(to_agent)
    assert len(list(taken(host))) <= 1
    assert len(list(taken(agent))) <= 1
    same = host.state is agent.state
    assert same is not ((state, said.__name__) in AMBIGUOUS and answered is Fault)


def test_the_crossings_hold_those_that_happen() -> None:
    names = {(state.name, said.__name__, answered.__name__) for state, said, answered in CROSSINGS}
    assert {("GREETING", "Hello", "Hello"), ("RUNNING", "Stop", "Stopped"), ("READY", "Bye", "Bye")} <= names


def test_every_state_can_be_reached_and_left() -> None:
    reached = {State.GREETING}
    for _ in State:
        reached |= {following for (state, _, _), following in TRANSITIONS.items() if state in reached}
    assert reached == set(State)
    assert {state for state, _, _ in TRANSITIONS} == set(State) - {State.CLOSED}
