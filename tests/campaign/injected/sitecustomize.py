"""Read by every interpreter of a campaign as it starts: shorter waits, a tap on the wires, a serial line that breaks.

Nothing is imported before the program itself does so: modules are changed right after they have been loaded.
"""

from __future__ import annotations

import functools
import importlib.abc
import importlib.util
import os
import random
import signal
import subprocess
import sys
import types
from collections.abc import Callable, Sequence
from importlib.machinery import ModuleSpec
from pathlib import Path
from typing import Any

LEVELS = "EDGEREPLY_CAMPAIGN_LEVELS"
DEAD_MAN_S = 3
UNPLUG, GARBLE, HALVE = signal.SIGUSR1, signal.SIGUSR2, signal.SIGXCPU


def commit_often(module: Any) -> None:
    """Some ten commits a run instead of one, and a few parts, so that faults meet parts that grow and that begin."""
    module.COMMIT_S = 0.12
    module.RunWriter.__init__ = functools.partialmethod(module.RunWriter.__init__, part_rows=150)


def lose_patience(module: Any) -> None:
    """Seconds where people would wait for a quarter of a minute."""
    module.SILENCE_S = 4.0


def miss_the_host_soon(module: Any) -> None:
    """The agent gives up on a silent host after seconds."""
    plain = module.responder_settings
    module.responder_settings = lambda *arguments: plain(*arguments) | {"dead_man_s": DEAD_MAN_S}


def tap_wires(module: Any) -> None:
    """Put a tap between the source's socket and whoever connects to it."""
    plain = module.Wires.__init__

    def begin(self: Any) -> None:
        plain(self)
        inner = f"{self.path}.inner"
        Path(self.path).rename(inner)
        program = Path(__file__).with_name("wire_tap.py")
        command = [sys.executable, "-I", str(program), inner, self.path, os.environ[LEVELS]]
        self._tap = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True)
        assert self._tap.stdout.read(1) == b"r", "the tap did not start"

    module.Wires.__init__ = begin


def break_serial(module: Any) -> None:
    """On a signal the serial line is pulled, garbled, or stops in the middle of a record."""
    plain = module.SerialLine.write
    broken: dict[str, bool] = {}

    def write(self: Any, pending: bytearray, garble: bool = False) -> None:
        if broken.get("garble") and pending:
            at = random.randrange(len(pending))
            pending[at : at + 1] = random.randbytes(random.randrange(4))
        if broken.get("halved"):
            pending.clear()
            return
        if broken.get("halve") and len(pending) > 1:
            del pending[random.randrange(1, len(pending)) :]
            broken["halved"] = True
        plain(self, pending, garble)

    def listen(self: Any) -> None:
        signal.signal(UNPLUG, lambda *_: self.unplug())
        for number, what in ((GARBLE, "garble"), (HALVE, "halve")):
            signal.signal(number, lambda *_, what=what: broken.__setitem__(what, True))

    begin = module.SerialLine.__init__

    def begin_and_listen(self: Any, *arguments: Any) -> None:
        begin(self, *arguments)
        listen(self)

    module.SerialLine.__init__, module.SerialLine.write = begin_and_listen, write


CHANGES: dict[str, Callable[[Any], None]] = {
    "edgereply.storage.run_writer": commit_often,
    "edgereply.board.client": lose_patience,
    "edgereply.board.translation": miss_the_host_soon,
    "edgereply.sources.simulator.wires": tap_wires,
    "edgereply.sources.simulator.line": break_serial,
}


class Changing(importlib.abc.MetaPathFinder):
    """Finds what is to be changed, as the ordinary finders do, and changes it once it has been loaded."""

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: types.ModuleType | None = None
    ) -> ModuleSpec | None:
        """See `importlib.abc.MetaPathFinder`."""
        change = CHANGES.pop(fullname, None)
        spec = importlib.util.find_spec(fullname) if change else None
        if change is None or spec is None or spec.loader is None:
            return None
        load = spec.loader.exec_module

        def load_and_change(module: types.ModuleType) -> None:
            load(module)
            change(module)

        spec.loader.exec_module = load_and_change  # type: ignore[method-assign]
        return spec


if LEVELS in os.environ and sys.orig_argv[1:2] == ["-m"] and sys.orig_argv[2].startswith("edgereply"):
    sys.meta_path.insert(0, Changing())
