"""The command set, spoken to the ATmega328P firmware in the chip simulator."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import pytest

from tests.conformance.command_set import CommandSetSuite
from tests.rig.client import Client
from tests.rig.rig import Rig


@pytest.mark.rig
class TestAtmega328p(CommandSetSuite):
    identity = "edgereply,pulse source atmega328p,0,1.0"
    tick_hz = 16_000_000
    tolerance_ppm = "5000"

    @staticmethod
    @contextlib.contextmanager
    def opened() -> Iterator[Client]:
        with Rig() as rig, Client(rig.port) as client:
            yield client
