"""Instruments on the network, on USB and by VISA, through foreign programs: socat, ser2net, pyvisa-sim."""

from __future__ import annotations

import contextlib
import os
import re
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from tests.conformance.pulse_source import whole_run
from tests.fakes.scripted_serial import ScriptedSerial
from tests.fakes.serial_servers import by_socat, free_port, offered
from tests.fakes.simulator import simulator
from tests.fakes.strict_generator import StrictGenerator
from tests.fakes.wires_responder import WiresResponder
from tests.tools import need

from edgereply.errors import HostError, SettingError, SourceError
from edgereply.sources import dialogue, opening
from edgereply.sources.base import StimulusPlan
from edgereply.sources.generator import GeneratorSource
from edgereply.sources.lines import LinesSource
from edgereply.sources.opening import open_port
from edgereply.sources.ports import usbtmc
from edgereply.sources.reference import ReferenceSource
from edgereply.storage.stamps import FALL, RISE, STIMULUS
from edgereply.system.deadline import Deadline

PLAN = StimulusPlan(pattern="periodic", period_ns=2_000_000, width_ns=50_000, count=20)
SIMULATED = Path(__file__).parents[1] / "fakes/instruments/generator.yaml"
VISA = (
    "TCPIP::generator.invalid::INSTR",
    "TCPIP::generator.invalid::5025::SOCKET",
    "USB::0x1111::0x2222::0x2468::INSTR",
    "ASRL1::INSTR",
)


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    """Silence is told after half a second."""
    monkeypatch.setattr(dialogue, "ANSWER_S", 0.5)


@pytest.mark.parametrize("server", ["socat", "ser2net", "rfc2217"])
def test_a_reference_source_on_another_computer_loses_nothing(server: str, tmp_path: Path) -> None:
    plan = StimulusPlan(period_ns=2_000_000, floor_ns=500_000, width_ns=50_000, count=300)
    with simulator() as (device, wires), WiresResponder(wires), offered(server, device, tmp_path) as port:
        source = ReferenceSource(port)
        try:
            assert source.identity.captures
            for _ in range(2):
                batch = whole_run(source, plan)
                counts = [int((batch.kind == kind).sum()) for kind in (STIMULUS, RISE, FALL)]
                assert counts == [300, 300, 300]
                assert batch.lost == 0
        finally:
            source.close()


@pytest.mark.parametrize("server", ["socat", "ser2net", "rfc2217"])
def test_a_generator_behind_a_server_is_set_read_back_and_limited(server: str, tmp_path: Path) -> None:
    generator = StrictGenerator()
    with ScriptedSerial(generator.reply) as line, offered(server, line.port, tmp_path) as port:
        source = GeneratorSource(port, 115_200)
        batch = whole_run(source, PLAN)
        assert batch.at_ns.tolist() == [number * PLAN.period_ns for number in range(PLAN.count)]
        assert [cycles for cycles, _ in generator.bursts] == [PLAN.count]
        source.close()
        assert generator.values["OUTP"] == "0"
        with pytest.raises(SettingError, match=r"would damage"):
            GeneratorSource(port, 115_200, high_v=5.0, input_limit_v=3.3)


@pytest.mark.parametrize("resource", VISA)
def test_a_visa_resource_is_set_read_back_and_limited(resource: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYVISA_LIBRARY", f"{SIMULATED}@sim")
    source = GeneratorSource(resource)
    assert source.identity.model == "Works Simulated Generator"
    assert source.arm(PLAN) == PLAN
    assert len(whole_run(source, PLAN).kind) == PLAN.count
    source.close()
    source = GeneratorSource(resource, high_v=9.0, input_limit_v=12.0)
    with pytest.raises(SettingError, match=r"refused VOLT:HIGH 9\.0"):
        source.arm(PLAN)
    source.close()


def test_a_visa_instrument_that_says_nothing_is_told_in_time(monkeypatch: pytest.MonkeyPatch, short: None) -> None:
    monkeypatch.setenv("PYVISA_LIBRARY", f"{SIMULATED}@sim")
    with pytest.raises(SourceError, match=r"did not answer \*IDN\?"):
        GeneratorSource("TCPIP::somebody.invalid::INSTR")


def test_without_pyvisa_the_command_to_type_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    with pytest.raises(SourceError, match=r"pip install 'edgereply\[visa\]'"):
        GeneratorSource(VISA[0])


@pytest.mark.parametrize("scheme", ["socket", "rfc2217"])
@pytest.mark.parametrize(
    ("where", "said"),
    [
        ("127.0.0.1:{free}", r"is there and refuses TCP port \d+; switch the instrument's socket server on"),
        ("nobody.invalid:5025", "there is no computer or instrument called nobody.invalid"),
        ("127.0.0.1", "names no host and TCP port"),
        ("127.0.0.1:99999", "names no host and TCP port"),
    ],
)
def test_an_address_that_leads_nowhere_says_which_part(scheme: str, where: str, said: str) -> None:
    with pytest.raises(HostError, match=said):
        GeneratorSource(f"{scheme}://{where.format(free=free_port())}")


@pytest.mark.parametrize("port", ["ftp://gate:21", "loop://", "spy:///dev/ttyS0"])
def test_another_way_is_refused_with_those_there_are(port: str) -> None:
    with pytest.raises(SettingError, match=r"is no way to an instrument; give a serial device, socket://"):
        GeneratorSource(port)


@pytest.mark.parametrize("port", ["/dev/usbtmc0", "TCPIP::gate::INSTR"])
def test_a_source_that_reports_while_it_runs_is_not_on_a_line_of_queries(port: str) -> None:
    with pytest.raises(SettingError, match=r"cannot be on"):
        ReferenceSource(port)


@pytest.mark.parametrize("port", ["socket://gate:1", "rfc2217://gate:1", "TCPIP::gate::INSTR"])
def test_lines_of_an_adapter_are_not_timed_across_a_network(port: str) -> None:
    with pytest.raises(SettingError, match=r"cannot be timed across"):
        LinesSource(port)


@contextlib.contextmanager
def talking(words: bytes, then_close: bool) -> Iterator[str]:
    """A computer that says something to whoever connects."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        kept: list[socket.socket] = []

        def serve() -> None:
            with contextlib.suppress(OSError):
                while True:
                    connection, _ = server.accept()
                    connection.sendall(words)
                    if then_close:
                        connection.close()
                    else:
                        kept.append(connection)

        threading.Thread(target=serve, daemon=True).start()
        yield f"socket://127.0.0.1:{server.getsockname()[1]}"
        server.shutdown(socket.SHUT_RDWR)
        for connection in kept:
            connection.close()


def test_what_answers_wrongly_is_quoted_and_who_hangs_up_is_said(short: None) -> None:
    with talking(b"220 mail ready\r\n" * 40, False) as port, pytest.raises(SourceError) as caught:
        ReferenceSource(port, patience_s=2.0)
    assert "is not a pulse source; it said '220 mail ready" in caught.value.message
    with talking(b"", False) as port, pytest.raises(SourceError, match=r"did not answer \*IDN\?"):
        GeneratorSource(port)
    with (
        talking(b"in use\r\n", True) as port,
        pytest.raises(SourceError, match=r"closed at the other end; look whether"),
    ):
        GeneratorSource(port)


def test_the_end_of_a_connection_is_told_while_waiting_not_taken_for_silence() -> None:
    with talking(b"", True) as where:
        port = open_port(where, 9600)
        with pytest.raises(SourceError, match=r"closed at the other end"):
            port.receive(Deadline(30.0))
        port.close()


def test_a_plain_socket_is_no_serial_port_by_rfc_2217() -> None:
    with talking(b"", False) as port, pytest.raises(SourceError, match=r"does not offer a serial port.*RFC 2217"):
        GeneratorSource(port.replace("socket", "rfc2217"))


def test_a_server_that_dies_in_a_run_is_told(short: None) -> None:
    with ScriptedSerial(StrictGenerator().reply) as line, by_socat(line.port) as (port, server):
        source = GeneratorSource(port)
        source.arm(StimulusPlan(pattern="periodic", period_ns=2_000_000, width_ns=50_000, count=50_000))
        source.start()
        children = Path(f"/proc/{server.pid}/task/{server.pid}/children").read_text(encoding="ascii").split()
        for child in children:
            os.kill(int(child), 9)
        with pytest.raises(SourceError, match=r"closed at the other end"):
            whole_run(source, PLAN)
        source.close()


# USB test-and-measurement devices by the kernel's driver


def test_requests_to_the_driver_are_those_of_the_kernel_s_header(tmp_path: Path) -> None:
    need("/usr/include/linux/usb/tmc.h", "linux-libc-dev")
    code = "#include <stdio.h>\n#include <sys/ioctl.h>\n#include <linux/types.h>\n#include <linux/usb/tmc.h>\n"
    code += 'int main(void) { printf("%lu %lu", (unsigned long)USBTMC_IOCTL_CLEAR,'
    code += " (unsigned long)USBTMC_IOCTL_SET_TIMEOUT); }\n"
    (tmp_path / "numbers.c").write_text(code, encoding="ascii")
    compiler = str(need("gcc", "gcc", "libc6-dev"))
    subprocess.run([compiler, "numbers.c", "-o", "numbers"], cwd=tmp_path, check=True, timeout=60)
    said = subprocess.run([tmp_path / "numbers"], capture_output=True, text=True, check=True, timeout=10).stdout
    assert [int(number) for number in said.split()] == [usbtmc.CLEAR, usbtmc.SET_TIMEOUT]


def test_a_usb_instrument_gets_a_time_out_before_each_answer(monkeypatch: pytest.MonkeyPatch, short: None) -> None:
    """A pseudo-terminal stands for the driver's file; it knows none of the driver's requests, so they are noted."""
    asked: list[tuple[int, bytes]] = []

    def noted(_descriptor: int, request: int, argument: bytes = b"") -> bool:
        asked.append((request, argument))
        return True

    monkeypatch.setattr(usbtmc, "control", noted)
    monkeypatch.setattr(opening, "_USBTMC", re.compile(r"/dev/pts/\d+"))
    generator = StrictGenerator()
    with ScriptedSerial(generator.reply) as line:
        source = GeneratorSource(line.port)
        assert asked[0] == (usbtmc.CLEAR, b"")
        assert len(whole_run(source, PLAN).kind) == PLAN.count
        times = [
            int.from_bytes(argument, sys.byteorder) for request, argument in asked if request == usbtmc.SET_TIMEOUT
        ]
        assert all(100 <= time_ms <= 10_000 for time_ms in times)
        assert len(times) == sum(text.endswith("?") for text, _, _ in generator.log)
        source.close()
        assert Decimal(generator.values["OUTP"]) == 0


@pytest.mark.parametrize(
    ("number", "said"), [(110, None), (19, "gone from USB"), (32, "gone from USB"), (22, "does not answer")]
)
def test_what_the_driver_says_is_told(number: int, said: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    with ScriptedSerial(lambda _: b"") as line:
        port = usbtmc.UsbtmcPort(line.port)

        def fail(*_: object) -> bytes:
            raise OSError(number, os.strerror(number))

        with monkeypatch.context() as patched:
            patched.setattr(os, "read", fail)
            if said is None:
                assert port.receive(Deadline(0.1)) == b""
            else:
                with pytest.raises(SourceError, match=said):
                    port.receive(Deadline(0.1))
        port.close()
        port.close()


def test_a_usb_instrument_that_is_not_there_says_where_to_look() -> None:
    with pytest.raises(SourceError, match=r"no such USB instrument; plug it in"):
        open_port("/dev/usbtmc99", 9600)
