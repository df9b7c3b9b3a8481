"""Stamps and intervals of the ATmega328P firmware: its timer has 16 bits, so all that is near a wrap is delicate."""

import pytest

from tests.conformance.firmware import Answer
from tests.conformance.stamps import StampSuite, Timing
from tests.rig.arrivals import Arrivals
from tests.rig.firmware import Atmega328p


@pytest.mark.rig
class TestAtmega328p(Atmega328p, StampSuite):
    timings = (
        Timing(("PULS:PER 5 MS",), 3000),
        Timing(("PULS:PER 5 MS", "PULS:ARR:SEED 77"), 1500, width_us=30),
        # Around one and two wraps of the 16-bit timer (4.096 ms), where arming is delicate.
        Timing(("PULS:ARR UNIF", "PULS:PER 4.096 MS", "PULS:ARR:SPR 0.1 MS"), 2000),
        Timing(("PULS:ARR UNIF", "PULS:PER 8.192 MS", "PULS:ARR:SPR 0.1 MS", "PULS:ARR:SEED 5"), 1000),
        Timing(("PULS:ARR UNIF", "PULS:PER 4.155 MS", "PULS:ARR:SPR 0.02 MS"), 2000),
        Timing(("PULS:ARR PER", "PULS:PER 4.096 MS"), 300),
        Timing(("PULS:ARR PER", "PULS:PER 4.0960625 MS"), 300),
        Timing(("PULS:ARR PER", "PULS:PER 4.0959375 MS"), 300),
        # Many wraps, and a pulse that is itself longer than two.
        Timing(("PULS:PER 50 MS", "PULS:ARR:FLO 11 MS"), 300, width_us=10_000),
    )
    arrivals = (
        (Arrivals("PER"), 300),
        (Arrivals("PER", 9, "0.0002"), 300),
        (Arrivals("UNIF"), 1000),
        (Arrivals("UNIF", 4294967295, "0.0033333", spread="0.0032333"), 1000),
        (Arrivals("UNIF", 3, "2", spread="1.9999"), 20),
        (Arrivals("UNIF", 3, "0.001", spread="0"), 100),
        (Arrivals("EXP"), 3000),
        (Arrivals("EXP", 4294967295, "0.0012345", "0.0001"), 2000),
        (Arrivals("EXP", 2463534242, "0.005", "0.005"), 100),
        (Arrivals("EXP", 12345, "0.5", "0.0001"), 60),
    )
    # 2**32 ticks are 268 s; 122 wraps of the timer are 0.5 s.
    wraps_soon = (("timebase.c", "uint16_t timebase_wraps;", "uint16_t timebase_wraps = 65536 - 122;"),)
    burst = ("0.2 MS", Answer(10, 75, 50))
