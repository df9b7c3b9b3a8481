"""Runs as COMMANDS.md lays them down: starting, fetching, waiting, ending at any moment, noise, the watchdog."""

from __future__ import annotations

import random
from typing import ClassVar

import pytest

from tests.conformance.firmware import Answer, FirmwareSuite
from tests.products import Change
from tests.rig.checks import check_stamps
from tests.rig.client import DEVICE_CLEAR, FALL, LOST, RISE, STIMULUS, TIME_MARK, Client, Record, values

RUNNING = '-284,"Program currently running"'


def fetch_all(client: Client) -> list[Record]:
    """Returns: the records FETCh? has, to the end."""
    records: list[Record] = []
    while more := client.fetch():
        records += more
    return records


class RunSuite(FirmwareSuite):
    """Tests any firmware in its rig.

    Attributes:
        watchdog_s: how long a hang lasts at most.
        no_watchdog: the change to the firmware that leaves the watchdog off.
    """

    watchdog_s: ClassVar[float]
    no_watchdog: ClassVar[Change]

    def test_initiate_and_fetch(self) -> None:
        with self.rig(Answer()) as rig, Client(rig.port) as client:
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

    def test_a_full_buffer_counts_what_it_swallows(self) -> None:
        with self.rig(Answer()) as rig, Client(rig.port) as client:
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

    def test_what_a_run_allows_and_refuses(self) -> None:
        with self.rig() as rig, Client(rig.port) as client:
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

    def test_while_read_streams_only_an_end_is_heard(self) -> None:
        with self.rig() as rig, Client(rig.port) as client:
            client.set("OUTP ON", "PULS:COUN 100000")
            client.send("READ?", "*IDN?", "FETC?", "SYST:ERR?", "READ?", "PULS:COUN 1", "ABOR")
            records = [record for block in client.blocks() for record in block]
            assert records[-1][0] == TIME_MARK
            assert client.errors() == [RUNNING, RUNNING, RUNNING, '-213,"Init ignored"', RUNNING]
            assert client.ask("PULS:COUN?") == "100000"

    def test_operation_complete_and_wait(self) -> None:
        with self.rig() as rig, Client(rig.port) as client:
            client.set("OUTP ON", "PULS:COUN 3")
            client.ask("*ESR?")
            client.send("INIT;*OPC;*ESR?;*WAI;*ESR?")
            assert client.answer() == "0"
            assert client.answer() == "1"
            client.send("INIT;*WAI;*IDN?")
            client.line.write(DEVICE_CLEAR)  # lets go of *WAI, and takes the rest of the message with it
            assert client.ask("SYST:VERS?") == "1999.0"
            assert client.errors() == []

    def test_reset_ends_a_streaming_run_and_brings_the_message_to_its_end(self) -> None:
        with self.rig() as rig, Client(rig.port) as client:
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
    def test_an_end_at_any_byte_of_the_stream(self, end: bytes) -> None:
        """The message stays well-formed wherever in it the end falls, and the line goes idle."""
        chance = random.Random(7)
        with self.rig(Answer(31.25, 187.5, 37.5)) as rig, Client(rig.port) as client:
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

    def test_a_device_clear_inside_a_command_throws_it_away(self) -> None:
        with self.rig() as rig, Client(rig.port) as client:
            for cut in range(len("PULS:COUN 55")):
                client.line.write(b"PULS:COUN 55"[:cut] + DEVICE_CLEAR + b"*IDN?\n")
                assert client.answer().startswith("edgereply")
            assert client.errors() == []
            assert client.ask("PULS:COUN?") == "100"

    def test_an_abort_in_the_middle_of_a_pulse_ends_it_cleanly(self) -> None:
        """Pulses of 10 ms, so that most aborts fall into one; then a run starts as if nothing had been."""
        settings = ["PULS:WIDT 10 MS", "PULS:PER 11 MS", "PULS:ARR PER", "OUTP ON"]
        with self.rig(Answer(31.25, 1000, 37.5)) as rig, Client(rig.port) as client:
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
                    assert all(length <= rig.clock_hz // 100 for length in lengths)
            assert client.errors() == []

    def test_noise_during_a_run_does_not_touch_the_measurement(self) -> None:
        chance = random.Random(3)
        with self.rig(Answer(12.5, 875, 62.5)) as rig, Client(rig.port) as client:
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

    def test_the_watchdog_ends_a_hang(self) -> None:
        with self.rig() as rig, Client(rig.port) as client:
            client.set("OUTP ON", "PULS:POL INV")
            assert client.errors() == []
            rig.hang()
            hung_at, over = rig.truth().now, rig.after(1)
            while not rig.truth().cycles("reset", 1):
                assert not over()
            assert client.ask("SYST:ERR?") == '-310,"System error"'
            assert client.ask("OUTP?") == "0"
            truth = rig.truth()
            resets = truth.cycles("reset", 1)
            assert len(resets) == 1
            assert (resets[0] - hung_at) / rig.clock_hz <= self.watchdog_s + 0.01
            assert [edge for edge in truth.edges if edge.signal == "stimulus"][-1].level == 0
            client.set("OUTP ON", "PULS:COUN 5")
            assert len(values(client.read(), STIMULUS)) == 5

    def test_without_the_watchdog_a_hang_stays(self) -> None:
        with self.rig(None, self.no_watchdog) as rig, Client(rig.port, timeout_s=3) as client:
            assert client.ask("*IDN?")
            rig.hang()
            over = rig.after(1)
            client.send("*IDN?")
            while not over():
                pass
            assert client.line.in_waiting == 0
            assert rig.truth().cycles("reset", 1) == []
