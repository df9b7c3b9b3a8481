"""The chip's own USB as a serial port, at the emulator's model of a host: found, answered, and no stamp moved."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

import pytest

from edgereply.sources.reference import ReferenceSource
from tests.rig.checks import check_stamps, measured
from tests.rig.client import DEVICE_CLEAR, Client, Record
from tests.rig.truth import WRAP
from tests.rp2040.firmware import Rp2040
from tests.rp2040.rig import Responder, Rp2040Rig

pytestmark = pytest.mark.rig

DEVICE, CONFIGURATION, STRING = 1, 2, 3
ENUMERATED_S = 0.05
SPREAD = ("PULS:ARR UNIF", "PULS:PER 2 MS", "PULS:ARR:SPR 0.9 MS")  # no answer runs into the next one


def wait(rig: Rp2040Rig, seconds: float = ENUMERATED_S) -> None:
    """So much of the rig's own time passes."""
    over = rig.after(seconds)
    while not over():
        pass


def descriptor(rig: Rp2040Rig, kind: int, index: int, length: int = 255) -> bytes | None:
    return rig.request(bytes([0x80, 6, index, kind, 0, 0, length, 0]))[0]


def text_of(rig: Rp2040Rig, index: int) -> str:
    found = descriptor(rig, STRING, index)
    assert found is not None
    assert found[:2] == bytes([len(found), STRING])
    return found[2:].decode("utf-16-le")


def test_the_device_is_described_as_it_is() -> None:
    """Layouts of USB 2.0, 9.6, from memory; the emulator's host has already found the port by them."""
    with Rp2040Rig(usb=True) as rig:
        wait(rig)
        device = descriptor(rig, DEVICE, 0)
        assert device is not None
        assert (len(device), device[:2], device[7], device[17]) == (18, b"\x12\x01", 64, 1)
        assert [text_of(rig, device[index]) for index in (14, 15)] == ["edgereply", "pulse source"]
        assert text_of(rig, device[16]) == Rp2040.serial
        assert descriptor(rig, STRING, 0) == bytes([4, STRING, 9, 4])
        whole = descriptor(rig, CONFIGURATION, 0)
        assert whole is not None
        assert int.from_bytes(whole[2:4], "little") == len(whole) == 67
        assert descriptor(rig, CONFIGURATION, 0, 9) == whole[:9]
        kinds, at = [], 0
        while at < len(whole):
            kinds.append(whole[at + 1])
            at += whole[at]
        assert at == len(whole)
        assert kinds.count(4) == whole[4] == 2  # interfaces
        assert kinds.count(5) == 3  # endpoints
        # What there is not is refused, and the next request is answered all the same.
        for packet in ([0x80, 6, 9, STRING, 0, 0, 255, 0], [0x80, 6, 0, 6, 0, 0, 10, 0], [0xC0, 1, 0, 0, 0, 0, 8, 0]):
            assert rig.request(bytes(packet))[0] is None
        assert rig.request(bytes([0x80, 8, 0, 0, 0, 0, 1, 0])) == (b"\x01", 1)
        assert rig.request(bytes([0xA1, 0x21, 0, 0, 0, 0, 7, 0]))[0] == bytes.fromhex("20a10700000008")
        assert rig.request(bytes([0x21, 0x20, 0, 0, 0, 0, 7, 0]))[0] == b""
        assert rig.said() == ""


def test_the_host_measures_over_one_cable() -> None:
    answers = Responder(delay_min=200, delay_max=110_000, width=7_001)
    with Rp2040Rig(responder=answers, usb=True) as rig:
        records = measured(rig, *SPREAD, "PULS:COUN 200")
        check_stamps(records, rig.truth())
        with contextlib.closing(ReferenceSource(rig.port)) as source:
            assert source.identity.serial == Rp2040.serial
        assert rig.uart() == b"", "what was said over USB was answered on the UART"


def stamps(traffic: Callable[[Rp2040Rig, Client], object], usb: bool = True) -> list[Record]:
    """One run whose records are fetched afterwards, relative to its start; held against the log of the pins."""
    answers = Responder(delay_min=200, delay_max=110_000, width=7_001)
    with Rp2040Rig(responder=answers, usb=usb) as rig, Client(rig.port) as client:
        client.set("OUTP ON", *SPREAD, "PULS:COUN 60")
        client.send("INIT")
        over = rig.after(0.3)
        while not over():
            traffic(rig, client)
        records: list[Record] = []
        while block := client.fetch():
            records += block
        check_stamps(records, rig.truth())
    start = records[0][1]
    return sorted(((kind, (value - start) % WRAP) for kind, value in records[:-1]), key=lambda record: record[1])


def test_traffic_moves_no_stamp() -> None:
    """The same run without a word, with questions over USB all the time, and over the UART: to the tick."""

    def ask(_rig: Rp2040Rig, client: Client) -> None:
        assert client.ask("*IDN?").startswith("edgereply")

    quiet, busy, uart = stamps(lambda *_: None), stamps(ask), stamps(ask, usb=False)
    edges = [record for record in quiet if record[0] <= 3]
    assert len(edges) == 180
    assert [record for record in busy if record[0] <= 3] == edges
    assert [record for record in uart if record[0] <= 3] == edges


def test_whoever_spoke_last_is_answered() -> None:
    with Rp2040Rig(usb=True) as rig, Client(rig.port) as client:
        identity = client.ask("*IDN?")
        rig.uart(b"*IDN?\n")
        wait(rig)
        assert rig.uart() == identity.encode() + b"\n"
        assert client.silence(0.1) == b""
        assert client.ask("*IDN?") == identity


def test_a_device_clear_gets_through_whatever_waits_before_it() -> None:
    """The host may hold bytes back for a while, not for good: behind them may be what ends the waiting."""
    with Rp2040Rig(usb=True) as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:COUN 4000000")
        client.send("INIT;*WAI")
        client.line.write(b"".join(b"PULS:COUN %d\n" % (n * 111_111) for n in range(1, 60)) + DEVICE_CLEAR)
        assert '-363,"Input buffer overrun"' in client.errors()
        assert client.ask("*OPC?;:PULS:COUN?") == "1"


def test_a_host_that_takes_nothing_stops_nothing() -> None:
    """No packet is taken: the answers are thrown away, the main loop goes on, and the UART is answered."""
    with Rp2040Rig(usb=True) as rig, Client(rig.port) as client:
        identity = client.ask("*IDN?")
        rig.host_hears(False)
        for _ in range(8):
            client.send("*IDN?")
        wait(rig, 0.9)
        assert not [edge for edge in rig.truth().edges if edge.signal == "reset"]
        rig.uart()
        rig.uart(b"*ESE?\n")
        wait(rig)
        assert rig.uart() == b"0\n"
        rig.host_hears(True)
        client.silence(0.2)
        assert client.ask("*IDN?") == identity


def test_a_port_that_was_closed_is_answered_no_more_until_it_speaks() -> None:
    with Rp2040Rig(usb=True) as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:COUN 20")
        client.send("READ?")
        client.block()
        assert rig.request(bytes([0x21, 0x22, 0, 0, 0, 0, 0, 0]))[0] == b""  # the host's DTR falls
        client.silence(0.3)
        wait(rig, 0.3)
        assert client.silence(0.2) == b""
        client.line.write(b"\x03")
        assert client.ask("*IDN?").startswith("edgereply")


def test_after_the_watchdog_the_device_is_found_again() -> None:
    with Rp2040Rig(usb=True) as rig, Client(rig.port) as client:
        client.ask("*IDN?")
        rig.hang()
        wait(rig, 0.7)
        assert len([edge for edge in rig.truth().edges if edge.signal == "reset"]) == 1
        assert client.ask("SYST:ERR?") == '-310,"System error"'
        assert rig.request(bytes([0x80, 8, 0, 0, 0, 0, 1, 0])) == (b"\x01", 2)
