"""The bare adapter: UART arithmetic, and a run on a port that records what is done to it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
import serial

from edgereply.errors import SettingError, SourceError
from edgereply.sources.base import StimulusPlan
from edgereply.sources.lines import LinesSource
from edgereply.sources.uart import BAUDS, low_time_ns, nearest_pulse
from edgereply.storage.stamps import FALL, RISE, STIMULUS
from tests.conformance.pulse_source import whole_run
from tests.fakes.adapter import FakeAdapter
from tests.fakes.scripted_serial import ScriptedSerial

PLAN = StimulusPlan(period_ns=2_000_000, floor_ns=1_000_000, count=20)


@pytest.mark.parametrize(
    ("byte", "baud", "low_us"),
    [
        (0x00, 9600, 937.5), (0xFF, 9600, 104.167), (0x00, 115_200, 78.125), (0xFF, 115_200, 8.6806),
        (0x00, 1_000_000, 9.0), (0xFF, 1_000_000, 1.0), (0xF0, 1_000_000, 5.0),
    ],
)  # fmt: skip
def test_low_times(byte: int, baud: int, low_us: float) -> None:
    """8N1, EIA-404 / any UART data sheet: start bit and low data bits, 1/baud each."""
    assert low_time_ns(byte, baud) == pytest.approx(low_us * 1000, abs=0.5)


@pytest.mark.parametrize("byte", [0x01, 0x55, 0x7F, 0xAA, 0x0F])
def test_bytes_of_several_pulses_are_refused(byte: int) -> None:
    with pytest.raises(ValueError, match="more than one pulse"):
        low_time_ns(byte, 9600)


def test_frames_written_out_bit_by_bit() -> None:
    """The frame as a string of levels: the low run at its start is all there is, and as long as stated."""
    for baud in BAUDS:
        for zeros in range(9):
            byte = (0xFF << zeros) & 0xFF
            frame = "0" + "".join(str(byte >> bit & 1) for bit in range(8)) + "1"
            low = len(frame) - len(frame.lstrip("0"))
            assert "0" not in frame.lstrip("0")
            assert abs(low_time_ns(byte, baud) - low * 1e9 / baud) <= 0.5


@pytest.mark.parametrize(
    ("width_ns", "baud", "byte", "low_ns"),
    [
        (78_125, 115_200, 0x00, 78_125),
        (937_500, 9600, 0x00, 937_500),
        (1, 1_000_000, 0xFF, 1000),
        # Six bits at 115200 Bd; two at 38400 and one at 19200 are as near, but slower.
        (50_000, 115_200, 0xE0, 52_083),
    ],
)
def test_the_nearest_pulse(width_ns: int, baud: int, byte: int, low_ns: int) -> None:
    pulse = nearest_pulse(width_ns)
    assert (pulse.baud, pulse.byte, pulse.low_ns) == (baud, byte, low_ns)


@pytest.fixture
def adapter(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeAdapter]:
    adapter = FakeAdapter()
    monkeypatch.setattr("edgereply.sources.serial_port.serial.Serial", lambda *_, **__: adapter)
    yield adapter
    assert adapter.closed


def test_bytes_leave_on_tx() -> None:
    with ScriptedSerial(lambda _: b"") as line:
        source = LinesSource(line.port)
        effect = source.arm(replace(PLAN, width_ns=78_125))
        assert (effect.width_ns, effect.inverted) == (78_125, True)
        batch = whole_run(source, replace(PLAN, width_ns=60_000))
        assert batch.kind.tolist() == [STIMULUS] * 20
        # 60 µs: seven bits at 115200 Bd are 60.76 µs: start bit and six low data bits.
        line.wait_for(b"\xc0" * 20)
        assert bytes(line.heard) == b"\xc0" * 20
        source.close()


@pytest.mark.parametrize("line", ["rts", "dtr"])
@pytest.mark.parametrize("inverted", [False, True])
def test_control_lines(adapter: FakeAdapter, line: str, inverted: bool) -> None:
    """Asserted is low on a TTL adapter: the idle level first, then pulses that last as long as asked."""
    source = LinesSource("port", stimulus=line)  # type: ignore[arg-type]
    adapter.done.clear()
    batch = whole_run(source, replace(PLAN, inverted=inverted))
    source.close()
    levels = [not asserted for _, name, asserted in adapter.done if name == line]
    assert levels == [inverted] + [not inverted, inverted] * 20
    times = [at_ns for at_ns, name, _ in adapter.done if name == line]
    assert all(end - begin >= 50_000 for begin, end in zip(times[1::2], times[2::2], strict=True))
    assert all(begin - stamp >= 0 for begin, stamp in zip(times[1::2], batch.at_ns.tolist(), strict=True))


@pytest.mark.parametrize("response", ["cts", "dsr"])
def test_a_response_is_read_back(adapter: FakeAdapter, response: str) -> None:
    """RTS looped to CTS (and DSR): the level that was driven is read, with TTL polarity."""
    adapter.looped = True
    source = LinesSource("port", stimulus="rts", response=response)  # type: ignore[arg-type]
    assert source.identity.captures
    for inverted in (False, True):
        source.arm(replace(PLAN, inverted=inverted))
        assert source.level() == int(inverted)
    source.close()


def test_edges_of_the_response(adapter: FakeAdapter) -> None:
    source = LinesSource("port", stimulus="tx", response="cts")
    adapter.answer = True
    batch = whole_run(source, StimulusPlan(pattern="periodic", period_ns=100_000_000, width_ns=78_125, count=5))
    source.close()
    assert batch.kind.tolist() == [STIMULUS, RISE, FALL] * 5


def test_the_resolution_is_what_a_call_takes(adapter: FakeAdapter) -> None:
    adapter.cost_s = 0.002
    source = LinesSource("port", stimulus="rts")
    assert 1 <= source.identity.tick_hz <= 500
    source.close()


def test_without_control_lines() -> None:
    with ScriptedSerial(lambda _: b"") as line:
        for options in ({"stimulus": "rts"}, {"response": "cts"}):
            with pytest.raises(SourceError, match="no control lines"):
                LinesSource(line.port, **options)  # type: ignore[arg-type]
        source = LinesSource(line.port)
        assert source.identity.tick_hz == 1000
        assert source.level() is None
        source.close()


@pytest.mark.parametrize("options", [{"stimulus": "cts"}, {"response": "rts"}])
def test_lines_that_cannot(options: dict[str, str]) -> None:
    with pytest.raises(SettingError):
        LinesSource("port", **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("change", [{"period_ns": 900_000, "floor_ns": 500_000}, {"width_ns": 29_999}])
def test_plans_beyond_an_adapter(adapter: FakeAdapter, change: dict[str, int]) -> None:
    source = LinesSource("port")
    with pytest.raises(SettingError):
        source.arm(replace(PLAN, **change))  # type: ignore[arg-type]
    source.close()


def read_on(source: LinesSource, kinds: list[int]) -> None:
    """Read until an error; kinds of edges are appended."""
    while True:
        batch = source.read(10.0)
        assert batch is not None
        assert not batch.done
        kinds += batch.kind.tolist()


def failing_after(writes: int) -> Callable[[], None]:
    left = [writes]

    def fail() -> None:
        left[0] -= 1
        if left[0] < 0:
            raise serial.SerialException("gone")

    return fail


def test_unplugged(adapter: FakeAdapter) -> None:
    adapter.before_write = failing_after(7)
    source = LinesSource("port")
    source.arm(PLAN)
    source.start()
    kinds: list[int] = []
    with pytest.raises(SourceError, match="the adapter is gone"):
        read_on(source, kinds)
    assert kinds == [STIMULUS] * 7
    assert source.read(0.0) is None
    source.close()


def test_edges_read_together_with_the_failure_come_first(adapter: FakeAdapter) -> None:
    adapter.before_write = failing_after(3)
    source = LinesSource("port")
    source.arm(PLAN)
    source.start()
    assert source._thread is not None
    source._thread.join(10)
    kinds: list[int] = []
    with pytest.raises(SourceError, match="the adapter is gone"):
        read_on(source, kinds)
    assert kinds == [STIMULUS] * 3
    source.close()


def test_abort_ends_even_a_long_wait(adapter: FakeAdapter) -> None:
    source = LinesSource("port")
    source.arm(StimulusPlan(pattern="periodic", period_ns=60_000_000_000))
    source.start()
    time.sleep(0.01)
    source.abort()
    batch = source.read(10.0)
    assert batch is not None
    assert (batch.done, len(batch.kind)) == (True, 0)
    source.close()


def test_closing_in_a_run_ends_it_first(adapter: FakeAdapter) -> None:
    """The thread is over and the line idle before the port goes: nothing may be driven after."""
    source = LinesSource("port", stimulus="rts")
    source.arm(replace(PLAN, count=1_000_000))
    source.start()
    thread = source._thread
    assert thread is not None
    while len(adapter.done) < 8:
        assert thread.is_alive()
    source.close()
    assert adapter.closed
    assert not thread.is_alive()
    driven = [asserted for _, name, asserted in adapter.done if name == "rts"]
    assert driven[-1] is driven[0], "the level it was idle at"
    after = len(adapter.done)
    source.close()
    assert len(adapter.done) == after
