"""The command set, spoken to the RP2040 firmware in the emulator."""

import pytest

from tests.conformance.command_set import CommandSetSuite
from tests.rp2040.firmware import Rp2040


@pytest.mark.rig
class TestRp2040(Rp2040, CommandSetSuite):
    pass
