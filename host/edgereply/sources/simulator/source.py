"""A pulse source in software: a process of its own, spoken to like the real one."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from pathlib import Path
from select import select

from edgereply.errors import SourceError
from edgereply.sources.reference import ReferenceSource
from edgereply.sources.simulator.faults import Faults
from edgereply.sources.simulator.wires import remove_leftover
from edgereply.system.deadline import Deadline

_START_S = 20.0
_END_S = 3.0


class VirtualSource(ReferenceSource):
    """Starts a virtual source and is its client; closing ends it.

    Args:
        faults: what is to go wrong; nothing by default.
        seed: of its clock's origin and its faults.
        drift_ppm: how much faster its clock runs than this computer's.
        single_faults: the fields of `Faults` by name, instead of ``faults``.

    Attributes:
        wires: path of the socket the agent's virtual route connects to.

    Raises:
        SettingError: a fault that does not exist, or with a value out of range.
        SourceError: it did not start.
    """

    def __init__(
        self, faults: Faults | None = None, *, seed: int = 1, drift_ppm: float = 20.0, **single_faults: float | None
    ) -> None:
        wanted = faults or Faults.from_options(single_faults)
        options = [f"--seed={seed}", f"--drift-ppm={drift_ppm}", *wanted.arguments()]
        package = str(Path(__file__).parents[3])
        paths = [package, *filter(None, [os.environ.get("PYTHONPATH")])]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "edgereply.sources.simulator", *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        )
        self.wires = ""
        try:
            ready = self._first_line(Deadline(_START_S))
            self.wires = ready["wires"]
            super().__init__(ready["port"], kind="virtual")
        except BaseException:
            self._end()
            raise

    @property
    def pid(self) -> int:
        """Returns: process id of the virtual source."""
        return self._process.pid

    def close(self) -> None:
        """Close the line and end the process."""
        super().close()
        self._end()

    def _first_line(self, deadline: Deadline) -> dict[str, str]:
        assert self._process.stdout is not None
        line = b""
        descriptor = self._process.stdout.fileno()
        while not line.endswith(b"\n"):
            ready = select([descriptor], [], [], deadline.remaining_s())[0]
            data = os.read(descriptor, 4096) if ready else b""
            if not data:
                raise SourceError(
                    f"the virtual source did not start{self._last_words()}",
                    "virtual source",
                    "run `python -m edgereply.sources.simulator` to see why",
                )
            line += data
        found: dict[str, str] = json.loads(line)
        return found

    def _last_words(self) -> str:
        self._process.kill()
        assert self._process.stderr is not None
        lines = self._process.stderr.read(65536).decode(errors="replace").strip().splitlines()
        return f": {lines[-1][:200]}" if lines else ""

    def _end(self) -> None:
        process = self._process
        for pipe in (process.stdin, process.stdout, process.stderr):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        try:
            process.wait(_END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(_END_S)
        if self.wires:
            remove_leftover(self.wires)
