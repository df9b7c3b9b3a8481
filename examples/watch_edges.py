"""Watch an input with the agent's own code, on the board, without a host: the standard library is enough.

python examples/watch_edges.py chardev gpiochip0 17 100

Prints when each of 100 rising edges came (the kernel's stamp) and how long this program took to see it. For route
`virtual` the chip is the path of the wires that `python -m edgereply.sources.simulator` prints.
"""

from __future__ import annotations

import sys
import time

from edgereply_agent.errors import AgentError
from edgereply_agent.routes.registry import load
from edgereply_agent.settings import LineSpec


def watch(route_name: str, chip: str, line: int | str, count: int) -> None:
    """Print so many edges of a line."""
    route = load(route_name)
    try:
        spec = LineSpec("input", chip, line, active_low=False, bias="as-is")
        edges = route.input(spec, "rising", event_buffer=1024)
        try:
            for _ in range(count):
                event = edges.read()
                wake_ns = time.monotonic_ns()
                if not event:
                    raise SystemExit("the chip is gone")
                edge_ns, _, seqno, _ = edges.decode(event)
                print(f"edge {seqno}: {edge_ns} ns, seen {wake_ns - edge_ns} ns later", flush=True)
        finally:
            edges.close()
    finally:
        route.close()


if __name__ == "__main__":
    name, where, number, wanted = sys.argv[1:5]
    try:
        watch(name, where, int(number) if number.isdigit() else number, int(wanted))
    except AgentError as error:
        raise SystemExit(f"{error}") from error
