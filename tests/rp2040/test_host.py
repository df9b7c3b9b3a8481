"""The host's own driver on the RP2040 firmware (virtual)."""

import pytest

from edgereply.sources.base import StimulusPlan
from tests.conformance.reference_source import ReferenceSourceSuite
from tests.rp2040.firmware import Rp2040


@pytest.mark.rig
class TestRp2040(Rp2040, ReferenceSourceSuite):
    exact_ns = 16
    plan = StimulusPlan(period_ns=1_000_000, floor_ns=500_000, spread_ns=500_000, count=40)
