"""The host's own driver on the ATmega328P firmware (virtual)."""

import pytest

from tests.conformance.reference_source import ReferenceSourceSuite
from tests.rig.firmware import Atmega328p


@pytest.mark.rig
class TestAtmega328p(Atmega328p, ReferenceSourceSuite):
    exact_ns = 63
