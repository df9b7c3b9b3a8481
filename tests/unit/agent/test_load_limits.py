"""How much a board is loaded at most, in numbers: 8 MiB a second, 2 GiB a run, a quarter of what is free."""

from __future__ import annotations

import os
from pathlib import Path
from types import SimpleNamespace

import pytest

from edgereply_agent import load_kinds
from edgereply_agent.load_kinds import WORK, Granted, grant
from edgereply_agent.settings import LoadSpec

MIB = 1 << 20


class Disk:
    """A file that takes everything at once, in a time that goes on as it is told."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now_s, self.written = 100.0, 0
        clock = SimpleNamespace(monotonic=lambda: self.now_s, sleep=self._sleep)
        monkeypatch.setattr(load_kinds, "time", clock)
        monkeypatch.setattr(os, "pwrite", self._pwrite)
        monkeypatch.setattr(os, "fdatasync", lambda _fd: None)

    def _sleep(self, seconds: float) -> None:
        self.now_s += seconds

    def _pwrite(self, _fd: int, data: bytes, _at: int) -> int:
        self.written += len(data)
        return len(data)


def test_the_storage_load_writes_8_mib_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    disk = Disk(monkeypatch)
    step = WORK["storage"](Granted(storage_bytes=4 * MIB))
    while disk.now_s < 110.0:
        step()
    assert 79 * MIB < disk.written <= 81 * MIB


def test_the_storage_load_writes_2_gib_a_run(monkeypatch: pytest.MonkeyPatch) -> None:
    disk = Disk(monkeypatch)
    step = WORK["storage"](Granted(storage_bytes=64 * MIB))
    disk.now_s += 10_000.0
    for _ in range(40_000):
        if step() < 0:
            break
    assert 2048 * MIB <= disk.written <= 2049 * MIB
    assert step() == -1


def test_a_quarter_of_the_free_storage_is_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    free = 64 * MIB
    monkeypatch.setattr(os, "fstatvfs", lambda _fd: SimpleNamespace(f_bavail=free // 4096, f_frsize=4096))
    granted = grant(LoadSpec(storage_bytes=1 << 40), [str(tmp_path)])
    granted.close()
    assert granted.storage_bytes == 16 * MIB
    assert any("a quarter of what is free" in warning for warning in granted.warnings)
