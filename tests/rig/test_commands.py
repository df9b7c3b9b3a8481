"""The command set, spoken to the ATmega328P firmware in the chip simulator."""

import pytest

from tests.conformance.command_set import CommandSetSuite
from tests.rig.firmware import Atmega328p


@pytest.mark.rig
class TestAtmega328p(Atmega328p, CommandSetSuite):
    pass
