"""The command set as COMMANDS.md lays it down, spoken to a firmware."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.conformance.firmware import FirmwareSuite
from tests.rig.arrivals import ticks
from tests.rig.client import DEVICE_CLEAR, Client

UNUSUAL = [HealthCheck.function_scoped_fixture, HealthCheck.differing_executors]

# Letters, digits and signs that lead deep into the parser; no device clear and nothing that starts a run.
GARBAGE = st.one_of(
    st.binary(max_size=300),
    st.text("PULSWIDTHERCO*?:;,.0123456789E+- \tMSUN", max_size=160).map(str.encode),
)


class CommandSetSuite(FirmwareSuite):
    """Tests any firmware through its serial line."""

    @pytest.fixture(scope="class")
    @classmethod
    def shared(cls) -> Iterator[Client]:
        with cls.rig() as rig, Client(rig.port) as client:
            yield client

    @pytest.fixture
    def client(self, shared: Client) -> Client:
        shared.send("*RST", "*CLS", "*ESE 0", "*SRE 0")
        assert shared.ask("*IDN?") == self.identity
        return shared

    def test_who_it_is_and_how_it_counts(self, client: Client) -> None:
        for query in ("*IDN?", " *IDN? ; ", "*IDN?\r"):
            assert client.ask(query) == self.identity
        assert client.ask("ROSC:FREQ?") == client.ask("SOUR:ROSC:INT:FREQ?") == str(self.tick_hz)
        assert client.ask("ROSC:TOL?") == self.tolerance_ppm

    def test_the_longest_period_but_one_tick_and_a_time_past_32_bits_of_ticks(self, client: Client) -> None:
        longest = 60 - Decimal(1) / self.tick_hz
        client.set(f"PULS:PER {longest:.12}")
        assert Decimal(client.ask("PULS:PER?")) == longest
        client.send(f"PULS:PER {Decimal(2**32 + 80_000) / self.tick_hz:.9f}")  # must not wrap into range
        assert client.errors() == ['-222,"Data out of range"']

    @pytest.mark.parametrize(
        ("query", "answer"),
        [
            ("SYST:ERR?", '0,"No error"'),
            ("SYSTem:ERRor:NEXT?", '0,"No error"'),
            ("SYST:VERS?", "1999.0"),
            ("*TST?", "0"),
            ("*OPC?", "1"),
            ("*STB?", "0"),
            ("PULS:PER?", "5.0E-3"),
            ("PULSE:WIDTH?", "5.0E-5"),
            (":SOUR:PULS:COUN?", "100"),
            ("source:pulse:polarity?", "NORM"),
            ("PULS:ARR?", "EXP"),
            ("PULS:ARR:FLO?", "1.0E-3"),
            ("PULS:ARR:SPR?", "1.0E-3"),
            ("PULS:ARR:SEED?", "1"),
            ("OUTP?", "0"),
            ("OUTPUT:STATE?", "0"),
            ("DIG:DATA?", "0"),
            ("SENS:DIG:DATA?", "0"),
            ("READ?", "#10"),
            ("FETC?", "#10"),
            (" SYST:VERS? ; ", "1999.0"),
            ("SYST:VERS?\r", "1999.0"),
        ],
    )
    def test_answers_after_a_reset(self, client: Client, query: str, answer: str) -> None:
        assert client.ask(query) == answer

    @pytest.mark.parametrize(
        ("command", "query", "answer"),
        [
            ("PULS:PER 10 MS", "PULS:PER?", "1.0E-2"),
            ("PULS:PER 60", "PULS:PER?", "6.0E1"),
            ("puls:per 2.5e-3s", "PULS:PER?", "2.5E-3"),
            ("PULS:PER +200US", "PULS:PER?", "2.0E-4"),
            ("PULS:PER 1000000 NS", "PULS:PER?", "1.0E-3"),
            ("PULS:WIDT 30US", "PULS:WIDT?", "3.0E-5"),
            ("PULS:WIDT .01", "PULS:WIDT?", "1.0E-2"),
            ("PULS:COUN 4294967295", "PULS:COUN?", "4294967295"),
            ("PULS:COUN 1E3", "PULS:COUN?", "1000"),
            ("PULS:ARR:SEED 4294967295", "PULS:ARR:SEED?", "4294967295"),
            ("PULS:ARR:SPR 0", "PULS:ARR:SPR?", "0.0E0"),
            ("PULS:ARR UNIFORM", "PULS:ARR?", "UNIF"),
            ("PULS:ARR per", "PULS:ARR?", "PER"),
            ("PULS:POL INVerted", "PULS:POL?", "INV"),
            ("OUTP ON", "OUTP?", "1"),
            ("OUTP 1;OUTP OFF", "OUTP?", "0"),
            ("*ESE 60", "*ESE?", "60"),
            ("*SRE 255", "*SRE?", "191"),
        ],
    )
    def test_settings_are_kept(self, client: Client, command: str, query: str, answer: str) -> None:
        client.set(command)
        assert client.ask(query) == answer

    @pytest.mark.parametrize(
        ("command", "error"),
        [
            ("FOO", '-113,"Undefined header"'),
            ("PULS:PERI 1", '-113,"Undefined header"'),
            ("PULS:PE 1", '-113,"Undefined header"'),
            ("PULS", '-113,"Undefined header"'),
            ("PULS:PER:FOO 1", '-113,"Undefined header"'),
            ("*IDN", '-113,"Undefined header"'),
            ("ABOR?", '-113,"Undefined header"'),
            ("*IDN??", '-113,"Undefined header"'),
            (":*IDN?", '-113,"Undefined header"'),
            ("PULS:PER", '-109,"Missing parameter"'),
            ("PULS:PER 1,2", '-108,"Parameter not allowed"'),
            ("*RST 1", '-108,"Parameter not allowed"'),
            ("PULS:PER? 1", '-108,"Parameter not allowed"'),
            ("PULS:PER ABC", '-104,"Data type error"'),
            ("PULS:PER 1 HZ", '-104,"Data type error"'),
            ("PULS:PER 1 M", '-104,"Data type error"'),
            ("PULS:PER 1.2.3", '-104,"Data type error"'),
            ("PULS:COUN 5 S", '-104,"Data type error"'),
            ("PULS:POL 5", '-104,"Data type error"'),
            ("PULS:ARR SOMETIMES", '-224,"Illegal parameter value"'),
            ("PULS:POL NORMA", '-224,"Illegal parameter value"'),
            ("OUTP 2", '-224,"Illegal parameter value"'),
            ("PULS:PER 199.9 US", '-222,"Data out of range"'),
            ("PULS:PER 60.0000001", '-222,"Data out of range"'),
            ("PULS:PER -1", '-222,"Data out of range"'),
            ("PULS:PER 1E30", '-222,"Data out of range"'),
            ("PULS:PER 1E-99", '-222,"Data out of range"'),
            ("PULS:WIDT 29 US", '-222,"Data out of range"'),
            ("PULS:WIDT 10.1 MS", '-222,"Data out of range"'),
            ("PULS:ARR:FLO 99 US", '-222,"Data out of range"'),
            ("PULS:COUN 0", '-222,"Data out of range"'),
            ("PULS:COUN 4294967296", '-222,"Data out of range"'),
            ("PULS:ARR:SEED 0", '-222,"Data out of range"'),
            ("*ESE 256", '-222,"Data out of range"'),
            ("INIT", '-221,"Settings conflict"'),
            ("A" * 129, '-363,"Input buffer overrun"'),
        ],
    )
    def test_errors(self, client: Client, command: str, error: str) -> None:
        client.send(command)
        assert client.errors() == [error]
        assert client.ask("PULS:PER?") == "5.0E-3"

    def test_a_message_of_128_bytes_is_heard(self, client: Client) -> None:
        assert client.ask("*IDN?".rjust(128)) == self.identity

    @pytest.mark.parametrize(
        "conflict",
        [
            "PULS:ARR PER;PULS:PER 1MS;PULS:WIDT 951 US",
            "PULS:ARR:FLO 6 MS",
            "PULS:WIDT 951 US",
            "PULS:ARR UNIF;PULS:ARR:SPR 4.901 MS",
            "PULS:ARR UNIF;PULS:ARR:SPR 4.9 MS;PULS:WIDT 51 US",
            "OUTP OFF",
        ],
    )
    def test_settings_that_do_not_go_together(self, client: Client, conflict: str) -> None:
        client.set("OUTP ON", conflict)
        client.send("INIT")
        assert client.errors() == ['-221,"Settings conflict"']
        assert client.ask("READ?") == "#10"
        assert client.errors() == ['-221,"Settings conflict"']

    @pytest.mark.parametrize(
        "agreement",
        [
            "PULS:ARR PER;PULS:PER 1MS;PULS:WIDT 950 US",
            "PULS:ARR:FLO 5 MS",
            "PULS:WIDT 950 US",
            "PULS:ARR UNIF;PULS:ARR:SPR 4.9 MS",
        ],
    )
    def test_settings_that_just_go_together(self, client: Client, agreement: str) -> None:
        client.set("OUTP ON", agreement, "PULS:COUN 3")
        assert len(client.read()) == 5

    def test_the_error_queue_is_eight_deep_and_says_when_it_overflows(self, client: Client) -> None:
        client.send("*RST 1", *["FOO"] * 7)
        assert client.errors() == ['-108,"Parameter not allowed"', *['-113,"Undefined header"'] * 7]
        client.send("*RST 1", *["FOO"] * 20)
        expected = ['-108,"Parameter not allowed"', *['-113,"Undefined header"'] * 6, '-350,"Queue overflow"']
        assert client.errors() == expected
        client.send("FOO", "*CLS")
        assert client.errors() == []

    def test_status_registers(self, client: Client) -> None:
        client.send("*ESE 32", "*SRE 32", "FOO")
        assert client.ask("*STB?") == str(0x40 | 0x20 | 0x04)
        assert client.ask("*ESR?") == "32"
        assert client.ask("*ESR?") == "0"
        assert client.ask("*STB?") == "4"
        client.send("PULS:PER 1E6", "*OPC")
        assert client.ask("*ESR?") == str(0x10 | 0x01)
        client.send("A" * 200)
        assert client.ask("*ESR?") == str(0x08)

    def test_several_commands_in_one_message(self, client: Client) -> None:
        client.send("PULS:COUN 7;FOO;:PULS:COUN?;*IDN?;PULS:ARR:SEED?")
        assert [client.answer() for _ in range(3)] == ["7", self.identity, "1"]
        assert client.errors() == ['-113,"Undefined header"']

    def test_a_message_byte_by_byte_and_many_messages_at_once(self, client: Client) -> None:
        for byte in b"PULS:COUN 12\nPULS:COUN?\n":
            client.line.write(bytes([byte]))
        assert client.answer() == "12"
        settings = (
            "PULS:PER 5.5 MS;:PULS:WIDT 60 US;:PULS:COUN 123\nPULS:POL NORM\nPULS:ARR UNIF\nPULS:ARR:FLO 1.5 MS\n"
        )
        settings += "PULS:ARR:SPR 0.5 MS\nPULS:ARR:SEED 7654321\nOUTP ON\n"
        client.send(settings + "PULS:COUN?;:PULS:ARR:SEED?;:OUTP?")
        assert [client.answer() for _ in range(3)] == ["123", "7654321", "1"]
        assert client.errors() == []

    def test_more_than_the_buffer_holds_is_an_error_and_not_a_wrong_setting(self, client: Client) -> None:
        client.set("OUTP ON")
        client.send("INIT;*WAI")  # a quick chip would keep up with the line
        client.line.write(b"".join(b"PULS:COUN %d\n" % (n * 111_111) for n in range(1, 60)))
        client.line.write(DEVICE_CLEAR)
        errors = client.errors()
        assert '-363,"Input buffer overrun"' in errors
        assert int(client.ask("PULS:COUN?")) in (100, *range(111_111, 60 * 111_111, 111_111)), (
            "a message with a hole in it was obeyed"
        )

    def test_power_on_is_an_event(self) -> None:
        with self.rig() as rig, Client(rig.port) as client:
            assert client.ask("*ESR?") == "128"

    @given(value=st.decimals("0.0002", "60", places=10))
    @example(value=Decimal("0.00500003125"))  # half a tick at 16 MHz, rounded up
    @example(value=Decimal("0.00500003124"))
    @example(value=Decimal("0.005000008"))  # half a tick at 62.5 MHz
    @example(value=Decimal("0.0050000079"))
    @settings(max_examples=60, suppress_health_check=UNUSUAL)
    def test_times_are_rounded_to_the_nearest_tick_and_answered_exactly(self, client: Client, value: Decimal) -> None:
        client.set(f"PULS:PER {value}")
        answer = client.ask("PULS:PER?")
        assert Decimal(answer) * self.tick_hz == ticks(str(value), self.tick_hz)
        client.set("PULS:PER 1 MS", f"PULS:PER {answer}")
        assert client.ask("PULS:PER?") == answer

    @given(garbage=GARBAGE)
    @settings(max_examples=150, suppress_health_check=UNUSUAL)
    def test_garbage_leaves_the_source_in_order(self, client: Client, garbage: bytes) -> None:
        client.line.write(garbage.replace(b"\x03", b"") + b"\n")
        client.line.write(DEVICE_CLEAR)
        client.send("SYST:VERS?")
        while client.answer() != "1999.0":  # answers to what was a query in the garbage
            pass
        client.errors()
        assert client.ask("*IDN?") == self.identity
