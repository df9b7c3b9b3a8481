"""The process that reads the ring: it looks at the answers four times a second and keeps what stands beside late ones.

It runs where nothing else wants the processor, as otherwise it would hold up answers itself, and takes pages out of the
ring only when an answer was late: in a run without late answers the ring overwrites itself. What it found goes to the
session through a pipe, at the end or when it is much. It ends with the session, SIGKILL included; the ring is removed
by the session, or by the keeper.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import struct
import time
from array import array
from typing import Optional

from edgereply_agent.load import keep_only
from edgereply_agent.processes import SIGNALS, Forked, fork
from edgereply_agent.realtime import die_with_parent
from edgereply_agent.ring import Ring
from edgereply_protocol import COLUMNS, Block, Json, Layout, LocalError, RemoteError, Traced
from edgereply_protocol.messages import decode_message, encode_message

from .instance import Instance
from .pages import Decoder, Event, read_page
from .selection import Answers, Selection, Wanted
from .stretches import Pages, cut

LOOK_S = 0.25
# The session passes on what is found, and to do so takes the processor from whoever answers: not before there is so
# much of it, or the answers have ended.
SHIP_BYTES = 1 << 20
FINISH_S = 6.0
# Of everything shipped: events of a run, and of one message.
MOST_EVENTS, EVENTS_A_MESSAGE = 600_000, 8000
MOST_ANSWERS_A_MESSAGE = 500
_HEAD = struct.Struct("=BI")
_TRACED, _REPORT = 1, 2


class Recorder(Forked):
    """The session's side.

    Args:
        instance: made; `record` switches it on.
        ring: of the answers.
        pid: the process that answers, 0 where nobody knows.
        deadline_ns: later is late; None where there is none.
    """

    def __init__(self, instance: Instance, ring: Ring, pid: int, deadline_ns: Optional[int]) -> None:
        self._instance = instance
        self._found: list[Traced] = []
        self._data = b""
        self.report: Json = {}
        self.fd, out = os.pipe()
        control, self._control_fd = os.pipe()
        os.set_blocking(self.fd, False)
        parent = os.getpid()
        self.pid = fork()
        if self.pid == 0:
            code = 70
            try:
                _work(instance, ring, pid, deadline_ns, out, control, parent)
                code = 0
            finally:
                os._exit(code)
        os.close(out)
        os.close(control)

    @property
    def session_fds(self) -> tuple[int, ...]:
        """Descriptors of the session that other processes must not keep."""
        return tuple(fd for fd in (self.fd, self._control_fd) if fd >= 0)

    def take(self) -> Optional[Traced]:
        """What was found beside some answers; None when there is nothing now."""
        if self.fd >= 0 and not self._found:
            with contextlib.suppress(BlockingIOError):
                self._read()
        return self._found.pop(0) if self._found else None

    def finish(self) -> None:
        """The answers have ended: let it look at the last ones, and wait for what it says, `FINISH_S` at most."""
        if self._control_fd < 0:
            return
        with contextlib.suppress(OSError):
            os.write(self._control_fd, b"e")
        end = time.monotonic() + FINISH_S
        poll = select.poll()
        poll.register(self.fd, select.POLLIN)
        while self.fd >= 0 and (left := end - time.monotonic()) > 0:
            if poll.poll(int(left * 1000) + 1):
                with contextlib.suppress(BlockingIOError):
                    self._read()
        self.kill()
        if not self.report:
            self.report = {"cut_short": True}
        self._close()

    def close(self) -> None:
        """End it, by force. May be called again."""
        self.kill()
        self._close()

    def _close(self) -> None:
        for fd in (self.fd, self._control_fd):
            if fd >= 0:
                os.close(fd)
        self.fd = self._control_fd = -1

    def _read(self) -> None:
        data = os.read(self.fd, 1 << 20)
        if not data:
            os.close(self.fd)
            self.fd = -1
            return
        self._data += data
        while len(self._data) >= _HEAD.size:
            kind, size = _HEAD.unpack_from(self._data)
            if len(self._data) < _HEAD.size + size:
                return
            body, self._data = self._data[_HEAD.size : _HEAD.size + size], self._data[_HEAD.size + size :]
            if kind == _REPORT:
                self.report = json.loads(body)
                continue
            with contextlib.suppress(RemoteError):
                message = decode_message(Traced.TYPE, body)
                assert isinstance(message, Traced)
                self._found.append(message)


class _Reading:
    """The process's own side: the ring's pages, and what was kept of them."""

    def __init__(self, instance: Instance, ring: Ring, pid: int, deadline_ns: Optional[int]) -> None:
        self._decoder = Decoder(instance.formats())
        self._answers, self._selection = Answers(ring), Selection(deadline_ns)
        self._pid = pid
        self._raw = [(instance.raw(cpu), Pages(cpu, self._decoder)) for cpu in instance.cpus]
        self._most_pages = instance.kb // 2
        self._events = self._first = self._incomplete = self._over = 0
        self.backlog: list[bytes] = []

    def look(self, final: bool = False) -> None:
        """Look at the answers since the last time, and keep what stands beside the wanted ones."""
        wanted = self._selection.choose(self._answers.fresh(final), final)
        if not wanted:
            return
        for fd, pages in self._raw:
            for _ in range(self._most_pages):
                page = read_page(fd, self._decoder.page_bytes, os.read)
                if page is None:
                    break
                pages.add(page)
        self._keep(wanted)
        for _, pages in self._raw:
            pages.trim()

    def _keep(self, wanted: list[Wanted]) -> None:
        about: list[Json] = []
        events: list[Event] = []
        every = [pages for _, pages in self._raw]
        for answer in wanted:
            if self._events + len(events) > MOST_EVENTS:
                self._over += 1
                continue
            found, whole = cut(every, answer.edge_ns, answer.set_ns, self._pid)
            self._incomplete += not whole
            if events and (len(events) + len(found) > EVENTS_A_MESSAGE or len(about) == MOST_ANSWERS_A_MESSAGE):
                self._put(about, events)
                about, events = [], []
            about.append({
                "edge_ns": answer.edge_ns, "set_ns": answer.set_ns, "why": answer.why, "rows": len(found),
                "whole": whole,
            })  # fmt: skip
            events += found
        if about:
            self._put(about, events)

    def _put(self, about: list[Json], events: list[Event]) -> None:
        names: dict[bytes, int] = {}
        rows = [
            (*event[:5], names.setdefault(event[5], len(names)), *event[6:9], names.setdefault(event[9], len(names)))
            for event in events
        ]
        columns = {}
        for place, (name, code) in enumerate(COLUMNS[Layout.TRACE]):
            columns[name] = array(code, [row[place] for row in rows])
        block = Block(Layout.TRACE, self._first, columns)
        self._first += len(rows)
        self._events += len(rows)
        words = [name.decode("utf-8", "replace") for name in names]
        with contextlib.suppress(LocalError):
            body = encode_message(Traced({"pid": self._pid, "answers": about, "names": words}, block))
            self.backlog.append(_HEAD.pack(_TRACED, len(body)) + body)

    def report(self) -> None:
        """What became of it all, as the last that is said."""
        selection = self._selection
        said = {
            "late": selection.late, "usual": selection.usual, "too_many": selection.too_many + self._over,
            "incomplete": self._incomplete, "not_looked_at": self._answers.passed, "events": self._events,
        }  # fmt: skip
        body = json.dumps(said).encode()
        self.backlog.append(_HEAD.pack(_REPORT, len(body)) + body)


def _work(
    instance: Instance, ring: Ring, pid: int, deadline_ns: Optional[int], out: int, control: int, parent: int
) -> None:
    signal.set_wakeup_fd(-1)
    for number in SIGNALS:
        signal.signal(number, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
    os.setsid()
    die_with_parent(signal.SIGKILL)
    if os.getppid() != parent:
        return
    keep_only({out, control})
    _schedule("SCHED_IDLE")
    os.set_blocking(out, False)
    reading = _Reading(instance, ring, pid, deadline_ns)
    poll = select.poll()
    poll.register(control, select.POLLIN)
    while not poll.poll(int(LOOK_S * 1000)):
        reading.look()
        if sum(map(len, reading.backlog)) > SHIP_BYTES:
            _ship(reading.backlog, out)
    if not os.read(control, 1):
        return
    # Nobody answers any more: what is left need not wait for an idle moment.
    _schedule("SCHED_OTHER")
    reading.look(final=True)
    reading.report()
    os.set_blocking(out, True)
    _ship(reading.backlog, out)


def _schedule(policy: str) -> None:
    """Run as rarely as the kernel can make it, so that whoever answers comes first at once; or as everybody does."""
    with contextlib.suppress(OSError, AttributeError):
        os.sched_setscheduler(0, getattr(os, policy), os.sched_param(0))


def _ship(backlog: list[bytes], out: int) -> None:
    """Write as much as the pipe takes now; the rest waits for the next time."""
    while backlog:
        try:
            written = os.write(out, backlog[0])
        except BlockingIOError:
            return
        if written == len(backlog[0]):
            backlog.pop(0)
        else:
            backlog[0] = backlog[0][written:]
