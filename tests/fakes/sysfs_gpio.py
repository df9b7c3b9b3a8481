"""Legacy GPIO files in a directory. Edges come as urgent data on a socket: poll reports POLLPRI, as for sysfs."""

from __future__ import annotations

import contextlib
import errno
import mmap
import os
import shutil
import socket
import struct
from pathlib import Path
from unittest import mock

from edgereply_agent.routes import sysfs, sysfs_export
from edgereply_agent.settings import LineSpec


class FakeSysfs:
    """Chips by label: (base, lines). Replaces the functions that write and open the files until `close`."""

    def __init__(self, root: Path, chips: dict[str, tuple[int, int]]) -> None:
        self.gpio = root / "sys/class/gpio"
        self.numbers: set[int] = set()
        for label, (base, lines) in chips.items():
            chip = self.gpio / f"gpiochip{base}"
            chip.mkdir(parents=True)
            for name, value in (("base", base), ("label", label), ("ngpio", lines)):
                (chip / name).write_text(f"{value}\n")
            self.numbers |= set(range(base, base + lines))
        (self.gpio / "export").touch()
        (self.gpio / "unexport").touch()
        self.directions: list[str] = []
        self._memory = mmap.mmap(-1, 16384)
        self._sources: dict[int, socket.socket] = {}
        self._numbers: dict[int, int] = {}
        self._patches = contextlib.ExitStack()
        for module in (sysfs, sysfs_export):
            self._patches.enter_context(mock.patch.object(module, "write_file", self._write))
        self._patches.enter_context(mock.patch.object(sysfs_export.Exported, "open_value", self._opener()))

    def _write(self, path: str, word: str, spec: LineSpec) -> None:
        place = Path(path)
        number = int(word) if word.isdigit() else -1
        if place.name == "export":
            if number not in self.numbers:
                raise sysfs_export.file_error(OSError(errno.EINVAL, "invalid"), path, spec)
            (self.gpio / f"gpio{number}").mkdir()
            for name in ("direction", "value", "edge", "active_low"):
                (self.gpio / f"gpio{number}" / name).touch()
        elif place.name == "unexport":
            shutil.rmtree(self.gpio / f"gpio{number}", ignore_errors=True)
        else:
            assert place.is_file()
            place.write_text(word)
            if place.name == "direction":
                self.directions.append(word)

    def _opener(self) -> object:
        def open_value(exported: sysfs_export.Exported, flags: int) -> int:
            number = exported.number
            assert number is not None
            if (Path(exported.directory) / "direction").read_text() == "in":
                if number in self._sources:
                    self._sources[number].close()
                with socket.create_server(("127.0.0.1", 0)) as server:
                    self._sources[number] = socket.create_connection(server.getsockname())
                    end, _ = server.accept()
                # The kernel reports a change at once unless the value was read first (from memory).
                self._sources[number].send(b"!", socket.MSG_OOB)
                fd = end.detach()
                os.set_blocking(fd, False)
            else:
                assert flags == os.O_RDWR
                fd = os.open(Path(exported.directory) / "value", flags)
            self._numbers[fd] = number
            return fd

        return open_value

    def pread(self, fd: int, size: int, offset: int) -> bytes:
        """As `os.pread` on a value."""
        assert offset == 0
        number = self._numbers[fd]
        if number in self._sources:
            with socket.socket(fileno=os.dup(fd)) as end, contextlib.suppress(OSError):
                end.recv(1, socket.MSG_OOB)
        return b"%d\n" % self.level(number)

    def pwrite(self, fd: int, data: bytes, offset: int) -> int:
        """As `os.pwrite` on a value."""
        assert offset == 0
        number = self._numbers[fd]
        if data == b"0" and self.level(number):
            self._put(number, 0, self.pulses(number) + 1)
        else:
            self._put(number, int(data), self.pulses(number))
        return len(data)

    def level(self, number: int) -> int:
        """Level of a line."""
        return int(struct.unpack_from("=II", self._memory, 8 * number)[0])

    def pulses(self, number: int) -> int:
        """How often a line fell."""
        return int(struct.unpack_from("=II", self._memory, 8 * number)[1])

    def edge(self, number: int) -> None:
        """A rising edge."""
        assert (self.gpio / f"gpio{number}/edge").read_text() in ("rising", "both")
        self._put(number, 1, 0)
        self._sources[number].send(b"!", socket.MSG_OOB)

    def _put(self, number: int, level: int, pulses: int) -> None:
        struct.pack_into("=II", self._memory, 8 * number, level, pulses)

    def close(self) -> None:
        """Put the functions back."""
        self._patches.close()
        for source in self._sources.values():
            source.close()
