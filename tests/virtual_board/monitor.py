"""The emulator's monitor: commands of the QEMU Machine Protocol, one after the other."""

from __future__ import annotations

import json
import socket
from pathlib import Path
from typing import Any, Self

from tests.virtual_board.errors import BoardError

ANSWER_S = 30.0


class Monitor:
    """Connected within its `with` block; only one may be at a time.

    Args:
        path: of the machine's monitor socket.
    """

    def __init__(self, path: Path) -> None:
        self._link = socket.socket(socket.AF_UNIX)
        self._link.settimeout(ANSWER_S)
        self._link.connect(str(path))
        self._stream = self._link.makefile("rw", encoding="utf-8")
        json.loads(self._stream.readline())
        self.ask("qmp_capabilities")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._stream.close()
        self._link.close()

    def ask(self, command: str, **arguments: Any) -> Any:
        """Carry out a command; events that come meanwhile are passed over.

        Raises:
            BoardError: the emulator refused it.
        """
        self._stream.write(json.dumps({"execute": command, "arguments": arguments}) + "\n")
        self._stream.flush()
        while "return" not in (said := json.loads(self._stream.readline())):
            if "error" in said:
                raise BoardError(f"the emulator refused {command}: {said['error']['desc']}")
        return said["return"]
