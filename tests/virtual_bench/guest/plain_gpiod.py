"""The plainest responder on the gpiod package, run on the virtual board: what a user would write, and stamps.

plain_gpiod.py INPUT OUTPUT COUNT TIMEOUT_S     prints edge, wake, set, clear in ns for each answer
"""

import signal
import sys
import time
from pathlib import Path

import gpiod
from gpiod.line import Direction, Edge, Value

LABEL = "reject-gate"


def main(input_name: str, output_name: str, count: int, timeout_s: int) -> None:
    signal.alarm(timeout_s)
    for path in sorted(Path("/dev").glob("gpiochip*")):
        with gpiod.Chip(str(path)) as chip:
            if chip.get_info().label != LABEL:
                continue
            source, target = chip.line_offset_from_id(input_name), chip.line_offset_from_id(output_name)
            answer(str(path), source, target, count)


def answer(path: str, source: int, target: int, count: int) -> None:
    inputs = {source: gpiod.LineSettings(direction=Direction.INPUT, edge_detection=Edge.RISING)}
    outputs = {target: gpiod.LineSettings(direction=Direction.OUTPUT, output_value=Value.INACTIVE)}
    rows: list[tuple[int, int, int, int]] = []
    with gpiod.request_lines(path, inputs) as events, gpiod.request_lines(path, outputs) as line:
        print("ready", file=sys.stderr, flush=True)
        while len(rows) < count:
            for event in events.read_edge_events():
                wake_ns = time.monotonic_ns()
                line.set_value(target, Value.ACTIVE)
                set_ns = time.monotonic_ns()
                line.set_value(target, Value.INACTIVE)
                rows.append((event.timestamp_ns, wake_ns, set_ns, time.monotonic_ns()))
    for row in rows:
        print(*row)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
