"""The program with a board behind it that only can be inspected: `python -m tests.fakes.inspected_board init`."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

from edgereply.config.settings import Board
from edgereply.errors import LinkError

NAMES = {3: "EYE_IN", 4: "REJECT_OUT", 5: "SPARE_IN", 6: "SPARE_OUT", 7: "LAMP"}
REPORT: dict[str, Any] = {
    "environment": {"model": "Reject gate board (invented)", "kernel": "6.1.0"},
    "routes": {
        "chardev": {"available": True},
        "gpiod": {"available": False, "why": "the gpiod package is not there", "remedy": "install it"},
    },
    "chips": [
        {
            "name": f"gpiochip{chip}",
            "lines": 32,
            "line_list": [
                {
                    "offset": offset,
                    "name": NAMES.get(offset, "") if not chip else "TWIN" if offset == 9 else f"BANK_B_{offset}",
                    "direction": "input",
                    "user": "lamp driver" if not chip and offset == 7 else "",
                }
                for offset in range(32)
            ]
            + ([{"offset": 32, "name": "TWIN", "direction": "input"}] if not chip else []),
        }
        for chip in range(2)
    ],
}


class Inspected:
    """Answers an inspection."""

    def inspect(self) -> dict[str, Any]:
        return REPORT


@contextlib.contextmanager
def open_board(name: str, settings: Board, typed: bool) -> Iterator[Inspected]:
    """A board that was typed; one called `off` cannot be reached."""
    assert typed
    if settings.host == "off":
        raise LinkError("no answer within 20 s", where=name, remedy="check power and network")
    yield Inspected()


if __name__ == "__main__":
    from edgereply.__main__ import program
    from edgereply.cli.setup import bench_steps

    setattr(bench_steps, open_board.__name__, open_board)
    raise SystemExit(program())
