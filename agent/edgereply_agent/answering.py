"""The hot loops: wait for an edge, set the output high, note the times, set it low.

Nothing else happens between waking up and writing the output. Line objects bring plain callables (`read`, `ready`,
`high`, `low`), C functions with their arguments bound wherever the route allows it: a bound call costs some 20 ns
more than a direct one, against microseconds for a system call. Decoding comes after the answer.
"""

from __future__ import annotations

import time
from typing import Callable

from .errors import lost_line
from .ring import BASE, COUNT, MASK, SEQNO, STOP, Ring
from .routes.base import InputLine, OutputLine


def answer_blocking(line: InputLine, output: OutputLine, ring: Ring, hold_ns: int) -> None:
    """Answer edges until asked to stop; `read` sleeps until there is one.

    Args:
        line: input; its `read` raises BlockingIOError once the line was interrupted.
        output: output; low before and after.
        ring: where rows go, and the cell that asks to stop.
        hold_ns: keep the output high for at least so long, busily waiting.

    Raises:
        OSError: the chip is gone.
        RouteError: the input ended.
    """
    read, decode, high, low, now = line.read, line.decode, output.high, output.low, time.monotonic_ns
    cells, record = ring.cells, ring.recorder()
    answered = 0
    while not cells[STOP]:
        try:
            event = read()
        except (BlockingIOError, InterruptedError):
            continue
        wake_ns = now()
        high()
        set_ns = now()
        if hold_ns:
            until_ns = set_ns + hold_ns
            while now() < until_ns:
                pass
        low()
        clear_ns = now()
        # Looked at only now: it would cost each answer 0.2 us, and a line that is gone refuses to be set anyway.
        if not event:
            raise lost_line(None, str(line.spec))
        edge_ns, _, seqno, line_seqno = decode(event)
        record(edge_ns, wake_ns, set_ns, clear_ns, seqno, line_seqno)
        answered = (answered + 1) & MASK
        cells[SEQNO] = seqno
        cells[COUNT] = answered


def answer_spinning(line: InputLine, output: OutputLine, ring: Ring, hold_ns: int) -> None:
    """Answer edges until asked to stop; never sleeps.

    Asks `ready` (a poll of no duration) over and over: a read that finds nothing would cost an exception each time,
    three times as much. The edge is answered before its event is read.

    Args, Raises: as `answer_blocking`.
    """
    read, decode, high, low, now = line.read, line.decode, output.high, output.low, time.monotonic_ns
    ready, expected, cells, record = line.ready, line.expected, ring.cells, ring.recorder()
    answered = 0
    while True:
        found = ready()
        if not found:
            if cells[STOP]:
                return
            continue
        wake_ns = now()
        if found != expected:
            raise lost_line(None, str(line.spec))
        high()
        set_ns = now()
        if hold_ns:
            until_ns = set_ns + hold_ns
            while now() < until_ns:
                pass
        low()
        clear_ns = now()
        event = read()
        if not event:
            raise lost_line(None, str(line.spec))
        edge_ns, _, seqno, line_seqno = decode(event)
        record(edge_ns, wake_ns, set_ns, clear_ns, seqno, line_seqno)
        answered = (answered + 1) & MASK
        cells[SEQNO] = seqno
        cells[COUNT] = answered
        if cells[STOP]:
            return


def answer(
    wait: str, line: InputLine, output: OutputLine, ring: Ring, hold_ns: int, started: Callable[[], object]
) -> None:
    """Throw away edges that wait already, say that it starts, answer until asked to stop.

    Args:
        wait: key of `LOOPS`.
        started: called before the first edge is waited for.
        line, output, ring, hold_ns: as `answer_blocking`.

    Raises:
        OSError, RouteError: as `answer_blocking`; the output is low.
    """
    ring.cells[BASE] = ring.cells[SEQNO] = line.flush()
    started()
    try:
        LOOPS[wait](line, output, ring, hold_ns)
    except OSError:
        # The loop may have been left between high and low.
        output.low()
        raise


LOOPS = {"block": answer_blocking, "spin": answer_spinning}
