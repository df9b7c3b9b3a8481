"""Starting, fetching, waiting for and ending runs; aborts and noise at any moment; the watchdog."""

from __future__ import annotations

import random
import subprocess

import pytest

from tests.rig.build import changed_source, pulse_source
from tests.rig.checks import check_pulses, check_stamps
from tests.rig.client import (
    DEVICE_CLEAR,
    FALL,
    FALL_LOST,
    LOST,
    RISE,
    STIMULUS,
    TIME_MARK,
    Client,
    Record,
    values,
)
from tests.rig.rig import Responder, Rig

pytestmark = pytest.mark.rig

RUNNING = '-284,"Program currently running"'
WATCHDOG_S = 0.512  # 65 536 cycles of the 128 kHz watchdog oscillator


def fetch_all(client: Client) -> list[Record]:
    records: list[Record] = []
    while more := client.fetch():
        records += more
    return records


def test_initiate_and_fetch() -> None:
    with Rig(responder=Responder()) as rig, Client(rig.port) as client:
        assert client.ask("FETC?") == "#10"
        assert client.errors() == ['-230,"Data corrupt or stale"']
        client.set("OUTP ON", "PULS:COUN 40")
        client.send("INIT")
        assert client.ask("*OPC?") == "1"
        records = fetch_all(client)
        check_stamps(records, rig.truth())
        assert len(values(records, FALL)) == 40
        assert client.ask("FETC?") == "#10"
        assert client.errors() == []
        client.send("*RST")
        assert client.ask("FETC?") == "#10"
        assert client.errors() == ['-230,"Data corrupt or stale"']


def test_a_full_buffer_counts_what_it_swallows() -> None:
    with Rig(responder=Responder()) as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:COUN 200")
        client.send("INIT")
        assert client.ask("*OPC?") == "1"
        records = fetch_all(client)
        truth = rig.truth()
    assert records[0][0] == records[-1][0] == TIME_MARK
    lost = sum(values(records, LOST))
    marks = len(values(records, TIME_MARK))
    edges = sum(len(values(records, kind)) for kind in (STIMULUS, RISE, FALL))
    true_edges = 200 + len(truth.cycles("response", 1)) + len(truth.cycles("response", 0))
    assert true_edges == 600
    assert len(values(records, LOST)) == 1
    # Marks come each half second and count as records too when they are swallowed.
    assert 0 <= edges + lost - true_edges <= 3
    assert 2 <= marks <= 4


def test_what_a_run_allows_and_refuses() -> None:
    with Rig() as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:ARR PER", "PULS:PER 1", "PULS:COUN 1000")
        client.send("INIT", "INIT")
        assert client.errors() == ['-213,"Init ignored"']
        assert client.ask("READ?") == "#10"
        assert client.errors() == ['-213,"Init ignored"']
        client.send("PULS:PER 5MS", "OUTP OFF", "*TST?", "PULS:PER?")
        assert client.errors() == [RUNNING] * 4
        assert client.ask("*IDN?").startswith("edgereply")
        assert client.ask("DIG:DATA?") == "0"
        rig.level(1)
        assert client.ask("DIG:DATA?") == "1"
        assert client.ask("*STB?") == "0"
        assert client.ask("*ESR?") != ""
        client.send("*OPC?", "*IDN?", "INIT", "ABOR")
        assert client.answer() == "1"
        assert client.errors() == [RUNNING, '-213,"Init ignored"']


def test_while_read_streams_only_an_end_is_heard() -> None:
    with Rig() as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:COUN 100000")
        client.send("READ?", "*IDN?", "FETC?", "SYST:ERR?", "READ?", "PULS:COUN 1", "ABOR")
        records = [record for block in client.blocks() for record in block]
        assert records[-1][0] == TIME_MARK
        assert client.errors() == [RUNNING, RUNNING, RUNNING, '-213,"Init ignored"', RUNNING]
        assert client.ask("PULS:COUN?") == "100000"


def test_operation_complete_and_wait() -> None:
    with Rig() as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:COUN 3")
        client.ask("*ESR?")
        client.send("INIT;*OPC;*ESR?;*WAI;*ESR?")
        assert client.answer() == "0"
        assert client.answer() == "1"
        client.send("INIT;*WAI;*IDN?")
        client.line.write(DEVICE_CLEAR)  # lets go of *WAI, and takes the rest of the message with it
        assert client.ask("SYST:VERS?") == "1999.0"
        assert client.errors() == []


def test_reset_ends_a_streaming_run_and_brings_the_message_to_its_end() -> None:
    with Rig() as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:COUN 100000", "PULS:POL INV")
        client.send("READ?")
        assert client.block()
        client.exactly(1)
        client.send("*RST")
        assert [record for block in client.blocks() for record in block][-1][0] == TIME_MARK
        assert client.ask("OUTP?") == "0"
        assert client.ask("PULS:POL?") == "NORM"
        truth = rig.truth()
        assert [edge for edge in truth.edges if edge.signal == "stimulus"][-1].level == 0
        assert client.errors() == []


@pytest.mark.parametrize("end", [DEVICE_CLEAR, b"ABOR\n", b"*RST\n"])
def test_an_end_at_any_byte_of_the_stream(end: bytes) -> None:
    """The message stays well-formed wherever in it the end falls, and the line goes idle."""
    chance = random.Random(7)
    with Rig(responder=Responder(delay_min=500, delay_max=3_000, width=600)) as rig, Client(rig.port) as client:
        for _ in range(40):
            client.set("*RST", "PULS:PER 0.6 MS", "PULS:ARR:FLO 0.3 MS", "PULS:COUN 100000", "OUTP ON")
            client.send("READ?")
            head = client.exactly(chance.randrange(400))
            client.line.write(end)
            client.put_back(head)
            kinds = [kind for block in client.blocks() for kind, _ in block]
            assert kinds[0] == kinds[-1] == TIME_MARK
            assert client.ask("*OPC?") == "1"
            assert client.errors() == []
            assert [edge for edge in rig.truth().edges if edge.signal == "stimulus"][-1].level == 0
        assert rig.truth().overruns == 0


def test_a_device_clear_inside_a_command_throws_it_away() -> None:
    with Rig() as rig, Client(rig.port) as client:
        for cut in range(len("PULS:COUN 55")):
            client.line.write(b"PULS:COUN 55"[:cut] + DEVICE_CLEAR + b"*IDN?\n")
            assert client.answer().startswith("edgereply")
        assert client.errors() == []
        assert client.ask("PULS:COUN?") == "100"


def test_an_abort_in_the_middle_of_a_pulse_ends_it_cleanly() -> None:
    """Pulses of 10 ms, so that most aborts fall into one; then a run starts as if nothing had been."""
    settings = ["PULS:WIDT 10 MS", "PULS:PER 11 MS", "PULS:ARR PER", "OUTP ON"]
    with Rig(responder=Responder(delay_min=500, width=600)) as rig, Client(rig.port) as client:
        for polarity in ("NORM", "INV"):
            client.set("*RST", f"PULS:POL {polarity}", *settings)
            for _ in range(15):
                before = len(rig.truth().edges)
                client.send("INIT", "*ESR?", "*STB?", "*OPC?")
                while rig.truth().edges[before:][-1:] == ():
                    pass
                client.line.write(b"ABOR\n")
                assert [client.answer() for _ in range(3)][-1] == "1"
                edges = [edge for edge in rig.truth().edges[before:] if edge.signal == "stimulus"]
                assert len(edges) % 2 == 0, "the line did not go back to idle"
                lengths = [late.cycle - early.cycle for early, late in zip(edges[::2], edges[1::2], strict=True)]
                assert all(length <= 160_000 for length in lengths)
        assert client.errors() == []


def test_noise_during_a_run_does_not_touch_the_measurement() -> None:
    chance = random.Random(3)
    with Rig(responder=Responder(delay_min=200, delay_max=14_000, width=1_000)) as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:COUN 600")
        client.send("READ?")
        records = []
        for block in client.blocks():
            records += block
            noise = bytes(chance.randrange(256) for _ in range(chance.randrange(60)))
            client.line.write(noise.replace(DEVICE_CLEAR, b"").replace(b"\n", b""))
        client.line.write(DEVICE_CLEAR)
        client.send("*CLS")
        assert client.errors() == []
        check_stamps(records, rig.truth())
        assert len(values(records, STIMULUS)) == 600


def test_the_watchdog_ends_a_hang() -> None:
    with Rig() as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:POL INV")
        assert client.errors() == []
        rig.hang()
        hung_at = rig.truth().now
        while not rig.truth().cycles("reset", 1):
            assert rig.truth().now < hung_at + 16_000_000
        assert client.ask("SYST:ERR?") == '-310,"System error"'
        assert client.ask("OUTP?") == "0"
        truth = rig.truth()
        resets = truth.cycles("reset", 1)
        assert len(resets) == 1
        assert (resets[0] - hung_at) / 16e6 <= WATCHDOG_S + 0.01
        assert [edge for edge in truth.edges if edge.signal == "stimulus"][-1].level == 0
        client.set("OUTP ON", "PULS:COUN 5")
        assert len(values(client.read(), STIMULUS)) == 5


def test_without_the_watchdog_a_hang_stays() -> None:
    source = changed_source(("main.c", "wdt_enable(WDTO_500MS);", "wdt_disable();"))
    with Rig(source=source) as rig, Client(rig.port, timeout_s=3) as client:
        assert client.ask("*IDN?")
        rig.hang()
        start = rig.truth().now
        client.send("*IDN?")
        while rig.truth().now - start < 16_000_000:
            pass
        assert client.line.in_waiting == 0
        assert rig.truth().cycles("reset", 1) == []


def test_commands_in_the_busiest_run_cost_no_stamp_and_the_stack_stays_clear_of_the_data() -> None:
    """2000 stimuli a second while refused commands keep the main loop from planning ahead: edges may come late then,
    but each is stamped when it comes."""
    with Rig(responder=Responder(delay_min=200, delay_max=1_200, width=800)) as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:PER 0.5 MS", "PULS:ARR:FLO 0.2 MS", "PULS:COUN 1000")
        client.send("READ?")
        records = []
        for block in client.blocks():
            records += block
            client.send("PULS:PER 12.345678901234 MS")
        client.errors()
        truth = rig.truth()
    check_stamps(records, truth)
    assert len(values(records, FALL)) == 1000
    assert truth.lowest_stack > end_of_data() + 60


def end_of_data() -> int:
    """Address behind the firmware's last variable."""
    command = ["avr-nm", str(pulse_source())]
    listing = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout
    (address,) = (line.split()[0] for line in listing.splitlines() if line.split()[-1] == "__bss_end")
    return int(address, 16) & 0xFFFF


def test_fall_lost_is_never_a_wrong_number() -> None:
    """Answers from 2 to 480 cycles long: each has its true stamps, or is said to be too short."""
    lost_at: dict[int, int] = {}
    for width in (2, 8, 20, 40, 60, 80, 100, 150, 200, 300, 480):
        responder = Responder(delay_min=300, delay_max=14_000, width=width, seed=width)
        with Rig(responder=responder) as rig, Client(rig.port) as client:
            client.set("OUTP ON", "PULS:COUN 300")
            records = client.read()
            truth = rig.truth()
        lost_at[width] = len(values(records, FALL_LOST))
        check_pulses(records, truth.cycles("response", 1), truth.cycles("response", 0))
    assert lost_at[2] == 300
    assert lost_at[480] == 0, lost_at
