"""The reject gate in Python, by the package gpiod: python3 responder_gpiod.py CHIP INPUT OUTPUT COUNT

Answers COUNT rising edges of the line with offset INPUT by a pulse on OUTPUT; "ready" on stderr when it waits.
"""

import functools
import sys

import gpiod
from gpiod.line import Direction, Edge, Value


def main(path: str, source: int, target: int, count: int) -> None:
    """Answer so many edges."""
    reading = {source: gpiod.LineSettings(direction=Direction.INPUT, edge_detection=Edge.RISING)}
    writing = {target: gpiod.LineSettings(direction=Direction.OUTPUT, output_value=Value.INACTIVE)}
    lines = functools.partial(gpiod.request_lines, path, consumer="responder")
    with lines(config=writing) as output, lines(config=reading) as events:
        print("ready", file=sys.stderr, flush=True)
        while count > 0:
            for _ in events.read_edge_events(max_events=1):
                output.set_value(target, Value.ACTIVE)
                output.set_value(target, Value.INACTIVE)
                count -= 1


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
