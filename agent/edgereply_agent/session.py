"""The session: frames in, tasks done, frames out; one thread, one loop.

It is one of three processes. The *responder* does nothing but answer and writes stamps into shared memory; the *keeper*
holds the output too and drives it low when the session dies. A host that falls silent in the middle of a task is given
up after `dead_man_s`: lines free, stamps kept; after ten times that the session ends too, since a pulled cable ends no
stream. `conversation` has its talk with the host, `tasks/held` a task's lines.
"""

from __future__ import annotations

import os
import sys
import time
from typing import Optional

from edgereply_protocol import (
    Bye,
    Configure,
    Configured,
    Fault,
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
    Stamps,
    Start,
    Started,
    State,
    Stop,
    Stopped,
)  # fmt: skip

from .conversation import FINISH_S, GREETING_S, Conversation
from .environment import facts
from .errors import AgentError, LinkLost
from .inspection import capabilities, inspect_board
from .processes import SIGNALS
from .ring import board_ns
from .tasks import make
from .tasks.base import Task
from .wire import Wire

PROGRESS_S = 1.0
DRAIN_S = 0.05
GIVE_UP_TIMES = 10
BUFFERED = 1 << 18
EXIT_DONE, EXIT_LINK = 0, 3


class Session:
    """One conversation with a host, from hello to bye. Not thread-safe.

    Args:
        wire: where frames come from and go to.
        wakeup_fd: becomes readable when a signal came; -1 for none.
    """

    def __init__(self, wire: Wire, wakeup_fd: int = -1) -> None:
        self._wire = wire
        self._wakeup_fd = wakeup_fd
        self._host = Conversation(wire)
        self._send = self._host.send
        self._task: Optional[Task] = None
        self._progress_at = 0.0
        self._signal = 0
        self._reason = ""

    def run(self) -> int:
        """Serve until the host says bye, the link ends or a signal comes.

        Returns:
            Exit code: 0 after bye, 3 when the link ended otherwise, 128 + number after a signal.
        """
        try:
            while self._host.state is not State.CLOSED:
                self._step()
        except (RemoteError, LocalError, LinkLost) as error:
            self._drop_task()
            self._host.last_word(error)
            print(f"edgereply agent: {error}", file=sys.stderr)
            return EXIT_LINK
        finally:
            self._drop_task()
        self._wire.finish(FINISH_S)
        return 128 + self._signal if self._signal else EXIT_DONE

    # -- the loop

    def _step(self) -> None:
        if self._task is not None:
            self._task.beat()
        watched = self._task.watch() if self._task is not None and not self._task.ended else []
        readable = self._wire.wait([fd for fd in (self._wakeup_fd, *watched) if fd >= 0], self._timeout())
        if self._wakeup_fd in readable:
            self._take_signal()
            return
        if self._wire.pending:
            self._wire.write()
        if self._wire.read_fd in readable:
            for message, received_ns in self._host.receive():
                self._dispatch(message, received_ns)
        self._tend()

    def _timeout(self) -> float:
        waits = [PROGRESS_S]
        task = self._task
        if self._host.state is State.GREETING:
            waits.append(self._host.left_s(GREETING_S))
        if task is not None and task.running:
            waits.append(self._host.left_s(task.dead_man_s))
            if task.reports:
                waits.append(DRAIN_S)
        if task is not None and task.ended:
            waits.append(PROGRESS_S if self._wire.pending > BUFFERED else 0.0)
        return max(0.0, min(waits))

    def _take_signal(self) -> None:
        number = os.read(self._wakeup_fd, 64)[0]
        if number not in SIGNALS:
            return
        self._signal = number
        self._drop_task()
        self._send(Bye())

    def _tend(self) -> None:
        silent_s = self._host.silent_s()
        task = self._task
        if task is None:
            return
        if not task.ended:
            if (outcome := task.check()) is not None:
                self._task_ended(task, *outcome)
            elif silent_s >= task.dead_man_s:
                self._dead_man(task, silent_s)
        if self._task is not None:
            self._pump(self._task)

    def _task_ended(self, task: Task, reason: str, error: Optional[AgentError]) -> None:
        if task.running:
            self._finish(reason)
        else:
            # Nothing was started, so there is no `Stopped` to send; a `Start` will find no task.
            self._drop_task()
        if error is not None:
            self._send(error.fault())

    def _dead_man(self, task: Task, silent_s: float) -> None:
        if not task.running:
            raise LinkLost(f"no sign of life from the host for {silent_s:.0f} s: the lines are given back")
        self._finish(f"no sign of life from the host for {silent_s:.0f} s")
        # A cable that was pulled ends no stream; a host that was only frozen finds its stamps for a while.
        self._host.give_up_after(GIVE_UP_TIMES * task.dead_man_s)

    def _pump(self, task: Task) -> None:
        """Ship stamps as long as the far end takes them; say `Stopped` after the last."""
        if task.ended or (task.running and task.reports):
            while self._wire.pending < BUFFERED:
                block = task.next_block()
                if block is None:
                    break
                self._send(Stamps(block))
            else:
                return
            while self._wire.pending < BUFFERED:
                traced = task.next_trace()
                if traced is None:
                    break
                self._send(traced)
            else:
                return
        if task.ended:
            answered, lost, unrecorded = task.counts()
            environment = {**facts(), **task.context_after}
            self._drop_task()
            self._send(Stopped(answered, lost, unrecorded, self._reason, environment))
        elif task.running and task.reports and time.monotonic() >= self._progress_at:
            self._progress_at = time.monotonic() + PROGRESS_S
            answered, lost, unrecorded = task.counts()
            self._send(Progress(answered, lost, unrecorded, board_ns(), task.context()))

    # -- messages

    def _dispatch(self, message: Message, received_ns: int) -> None:
        if isinstance(message, Ping):
            self._send(Pong(message.token, received_ns, board_ns()))
        elif isinstance(message, Bye):
            self._drop_task()
        elif isinstance(message, Hello):
            self._host.hello(capabilities(), facts())
        elif isinstance(message, Stop):
            if self._host.state is State.STOPPING:
                self._finish("stopped by the host")
                if self._task is None:
                    self._send(Stopped(0, 0, 0, self._reason))
        else:
            try:
                self._obey(message)
            except AgentError as error:
                self._send(error.fault())
            except (LinkLost, RemoteError, LocalError):
                raise
            except Exception as error:
                self._drop_task()
                self._send(
                    Fault("internal", f"{type(error).__name__}: {error}", "agent", "report this, with the bench file")
                )

    def _obey(self, message: Message) -> None:
        if isinstance(message, Inspect):
            self._send(Inspection(inspect_board()))
        elif isinstance(message, Configure):
            self._drop_task()
            self._task = make(message.task, message.settings, self._private_fds())
            self._send(Configured(self._task.in_effect, self._task.warnings))
        elif isinstance(message, Start):
            self._start()
        elif isinstance(message, Probe):
            if self._task is None:
                raise AgentError("internal", "there is no task to probe", "agent", "configure the task probe")
            self._send(Probed(self._task.probe(message.levels, message.read)))

    def _start(self) -> None:
        if self._task is None:
            raise AgentError("internal", "there is no task to start", "agent", "configure a task first")
        try:
            started_ns = self._task.start()
        except AgentError:
            self._drop_task()
            raise
        self._progress_at = time.monotonic() + PROGRESS_S
        self._send(Started(started_ns))

    def _finish(self, reason: str) -> None:
        """End the task's processes; `_pump` ships the rest."""
        self._reason = reason
        if self._task is not None and not self._task.ended:
            self._task.end()

    def _drop_task(self) -> None:
        task, self._task = self._task, None
        if task is not None:
            task.close()

    def _private_fds(self) -> tuple[int, ...]:
        wakeup = () if self._wakeup_fd < 0 else (self._wakeup_fd,)
        return tuple(dict.fromkeys((*self._wire.fds, *wakeup)))
