"""Who may say what when: one literal table, kept by both ends alike.

The state is that of the link, not of one side. Two messages that cross on the wire (the greetings; a `Stop` and the
`Stopped` it no longer needed to ask for) are legal at both ends and leave both in one state. The exception is a `Fault`
that is neither an answer nor fatal: an agent must not send one in READY or CONFIGURED unless asked, as a request that
crosses it would take it for its answer. Where one end closes the link, `Connection` drops what crosses.
"""

from __future__ import annotations

from enum import Enum
from typing import Optional

from . import messages as m


class Role(Enum):
    """The two ends."""

    HOST = "host"
    AGENT = "agent"


class State(Enum):
    """Where the conversation stands."""

    GREETING = "greeting"
    HOST_GREETED = "greeted by the host alone"
    AGENT_GREETED = "greeted by the agent alone"
    READY = "ready"
    INSPECTING = "inspecting"
    CONFIGURING = "configuring"
    CONFIGURED = "configured"
    PROBING = "probing"
    STARTING = "starting"
    RUNNING = "running"
    STOPPING = "stopping"
    CLOSED = "closed"


S, H, A = State, Role.HOST, Role.AGENT

TRANSITIONS: dict[tuple[State, Role, type[m.Message]], State] = {
    (S.GREETING, H, m.Hello): S.HOST_GREETED,
    (S.GREETING, A, m.Hello): S.AGENT_GREETED,
    (S.HOST_GREETED, A, m.Hello): S.READY,
    (S.AGENT_GREETED, H, m.Hello): S.READY,
    (S.GREETING, A, m.Fault): S.CLOSED,
    (S.HOST_GREETED, A, m.Fault): S.CLOSED,
    (S.READY, H, m.Inspect): S.INSPECTING,
    (S.INSPECTING, A, m.Inspection): S.READY,
    (S.INSPECTING, A, m.Fault): S.READY,
    (S.READY, H, m.Configure): S.CONFIGURING,
    (S.CONFIGURED, H, m.Configure): S.CONFIGURING,
    (S.CONFIGURING, A, m.Configured): S.CONFIGURED,
    (S.CONFIGURING, A, m.Fault): S.READY,
    (S.CONFIGURED, H, m.Probe): S.PROBING,
    (S.PROBING, A, m.Probed): S.CONFIGURED,
    (S.PROBING, A, m.Fault): S.CONFIGURED,
    (S.CONFIGURED, A, m.Fault): S.CONFIGURED,
    (S.CONFIGURED, H, m.Start): S.STARTING,
    (S.CONFIGURED, H, m.Stop): S.STOPPING,
    (S.STARTING, A, m.Started): S.RUNNING,
    (S.STARTING, A, m.Fault): S.READY,
    (S.RUNNING, A, m.Stamps): S.RUNNING,
    (S.RUNNING, A, m.Progress): S.RUNNING,
    (S.RUNNING, A, m.Traced): S.RUNNING,
    (S.RUNNING, A, m.Fault): S.RUNNING,
    (S.RUNNING, A, m.Stopped): S.READY,
    (S.RUNNING, H, m.Stop): S.STOPPING,
    (S.STOPPING, A, m.Stamps): S.STOPPING,
    (S.STOPPING, A, m.Progress): S.STOPPING,
    (S.STOPPING, A, m.Traced): S.STOPPING,
    (S.STOPPING, A, m.Fault): S.STOPPING,
    (S.STOPPING, A, m.Stopped): S.READY,
    (S.READY, H, m.Stop): S.READY,
    (S.READY, A, m.Fault): S.READY,
}

for _state in State:
    if _state not in (S.GREETING, S.HOST_GREETED, S.AGENT_GREETED, S.CLOSED):
        TRANSITIONS[_state, H, m.Ping] = _state
        TRANSITIONS[_state, A, m.Pong] = _state
    if _state is not S.CLOSED:
        TRANSITIONS[_state, H, m.Bye] = S.CLOSED
        TRANSITIONS[_state, A, m.Bye] = S.CLOSED


def after(state: State, speaker: Role, message: m.Message) -> Optional[State]:
    """State after `speaker` said `message`, or None where that is not allowed.

    A fatal fault closes the link from any state.
    """
    if isinstance(message, m.Fault) and message.fatal and speaker is A:
        return S.CLOSED
    return TRANSITIONS.get((state, speaker, type(message)))
