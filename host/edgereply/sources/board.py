"""A board as pulse source: its agent drives a stimulus line and captures the response with kernel stamps.

Used for two sources: `board`, a second board, and `self`, where the board under test drives its own input. In both
the emitting agent is a session of its own, apart from the one that answers.
"""

from collections import deque
from dataclasses import asdict, replace

import numpy as np

from edgereply.board.client import BoardClient, fault_error
from edgereply.errors import SourceError
from edgereply.sources.base import SourceBatch, SourceIdentity, StimulusPlan
from edgereply.sources.limits import with_gaps
from edgereply.system.deadline import Deadline
from edgereply_protocol import Fault, Json, Layout, Message, Progress, Stamps, Stopped

STOP_S = 15.0
# Two writes from Python, one after the other. Where the board takes longer the second edge comes later, and is stamped
# when it came.
SHORTEST_GAP_NS = 20_000
NANOSECONDS = 1_000_000_000


class BoardSource:
    """A `PulseSource` on an agent that has been greeted. Not thread-safe.

    Args:
        client: a session of its own on the board that emits.
        kind: `board` or `self`.
        settings: route and the lines `stimulus` and `capture`, as `Configure` takes them; `capture_fall` too where the
            response's falls have a line of their own.
    """

    def __init__(self, client: BoardClient, kind: str, settings: Json) -> None:
        environment = client.hello.environment
        self._client = client
        self._settings = settings
        self._batches: deque[SourceBatch] = deque()
        self._armed = False
        self._done = True
        self._lost = 0
        self._identity = SourceIdentity(
            kind=kind,
            model=str(environment.get("model") or "board"),
            serial="",
            firmware=client.hello.software,
            tick_hz=NANOSECONDS,
            tolerance_ppm=100.0,
            captures=True,
            virtual=bool(environment.get("virtual")),
            shortest_gap_ns=SHORTEST_GAP_NS,
        )

    @property
    def identity(self) -> SourceIdentity:
        """The board, as its agent names it; its clock is taken to be good to 100 ppm."""
        return self._identity

    def arm(self, plan: StimulusPlan) -> StimulusPlan:
        """Take the lines and hold the stimulus line low.

        Raises:
            SettingError: the board cannot do this plan, or has no such lines.
            BoardError, LinkError: the board failed.
        """
        self._armed = False
        self.abort()
        self._batches.clear()
        plan = with_gaps(plan, SHORTEST_GAP_NS, "a board")
        wanted = asdict(plan)
        if plan.pattern != "pairs":
            # Agents from before pairs would not mirror them.
            del wanted["shortest_gap_ns"], wanted["longest_gap_ns"]
        inverted = wanted.pop("inverted")
        lines = dict(self._settings["lines"])
        lines["stimulus"] = lines["stimulus"] | {"active_low": inverted != lines["stimulus"].get("active_low", False)}
        configured = self._client.configure("stimulate", self._settings | {"lines": lines, "plan": wanted})
        effective = configured.in_effect.get("plan", {})
        self._armed = True
        known = {name: value for name, value in effective.items() if name in wanted}
        return replace(plan, **known)

    def start(self) -> None:
        """Begin the armed run.

        Raises:
            SourceError: nothing is armed.
        """
        if not self._armed:
            raise SourceError("no run is armed", self._client.name, "arm one first")
        self._armed, self._done, self._lost = False, False, 0
        self._client.start()

    def read(self, timeout_s: float) -> SourceBatch | None:
        """Edges reported since the last call; see `PulseSource.read`."""
        if not self._batches and not self._done:
            for message in self._client.poll(timeout_s):
                self._take(message)
        return self._batches.popleft() if self._batches else None

    def abort(self) -> None:
        """End the run early; the stimulus line goes low."""
        self._armed = False
        if self._done:
            return
        self._client.stop()
        deadline = Deadline(STOP_S)
        while not self._done:
            if deadline.expired():
                raise SourceError("the emitting board did not stop in time", self._client.name, "check the board")
            for message in self._client.poll(0.05):
                self._take(message)

    def level(self) -> int | None:
        """The capture line now; None while a run is armed or going on, which has the line."""
        if self._armed or not self._done:
            return None
        line = self._settings["lines"]["capture"] | {"direction": "input"}
        self._client.configure("probe", self._settings | {"lines": {"capture": line}})
        level = self._client.probe({}, ["capture"])["capture"]
        self._client.stop()
        deadline = Deadline(STOP_S)
        while not any(isinstance(message, Stopped) for message in self._client.poll(0.05)):
            if deadline.expired():
                raise SourceError("the emitting board did not stop in time", self._client.name, "check the board")
        return level

    def close(self) -> None:
        """End the session; the agent leaves its lines low."""
        self._client.close()

    def _take(self, message: Message) -> None:
        if isinstance(message, Stamps) and message.block.layout is Layout.EVENTS:
            kind = np.array(message.block.columns["kind"], np.uint8)
            at_ns = np.array(message.block.columns["at_ns"], np.int64)
            order = np.argsort(at_ns, kind="stable")
            self._batches.append(SourceBatch(kind=kind[order], at_ns=at_ns[order], lost=0, done=False))
        elif isinstance(message, Progress | Stopped):
            lost = message.lost + message.unrecorded
            fresh, self._lost = lost - self._lost, lost
            self._done = isinstance(message, Stopped)
            if fresh or self._done:
                empty = np.empty(0, np.int64)
                self._batches.append(SourceBatch(kind=empty.astype(np.uint8), at_ns=empty, lost=fresh, done=self._done))
        elif isinstance(message, Fault):
            raise fault_error(message, self._client.name)
