"""The command set, spoken to the RP2040 firmware in the emulator."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import pytest

from tests.conformance.command_set import CommandSetSuite
from tests.rig.client import Client
from tests.rp2040.rig import TICK_HZ, Rp2040Rig


@pytest.mark.rig
class TestRp2040(CommandSetSuite):
    identity = "edgereply,pulse source rp2040,0,1.0"
    tick_hz = TICK_HZ
    tolerance_ppm = "50"

    @staticmethod
    @contextlib.contextmanager
    def opened() -> Iterator[Client]:
        with Rp2040Rig() as rig, Client(rig.port) as client:
            yield client
