"""The client against devices that misbehave; what a good one does is in the conformance suite."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from struct import pack
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgereply.errors import SettingError, SourceError
from edgereply.sources import dialogue, identification, reference
from edgereply.sources.base import StimulusPlan
from edgereply.sources.reference import ReferenceSource
from edgereply.sources.simulator.engine import Engine
from edgereply.sources.simulator.stimulus import SimulatedStimulus
from tests.fakes.scripted_serial import ScriptedSerial

MARK, STIMULUS, RISE = 5, 1, 2


class Script:
    """An instrument whose runs are given as raw bytes of the response to READ?."""

    running = False

    def begin(self, stimulus: SimulatedStimulus) -> None:
        raise AssertionError("READ? is answered by the script")

    def end(self) -> None: ...

    def forget(self) -> None: ...

    def take(self) -> bytes:
        return b""

    def level(self) -> int:
        return 1


def device(run: bytes | None = b"", change: Callable[[bytes, bytes], bytes | None] | None = None) -> ScriptedSerial:
    """A pulse source that answers READ? with `run` (None unplugs), and all else properly, unless changed."""
    engine = Engine(Script(), "edgereply,pulse source test,1,1.0", 16_000_000, 50)

    def reply(line: bytes) -> bytes | None:
        if b"READ?" in line:
            return run
        engine.feed(line)
        answer = bytes(engine.out)
        engine.out.clear()
        return change(line, answer) if change else answer

    return ScriptedSerial(reply)


def block(*records: tuple[int, int]) -> bytes:
    data = b"".join(pack("<BI", kind, value) for kind, value in records)
    return b"#2%02d%s" % (len(data), data)


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dialogue, "ANSWER_S", 0.3)
    monkeypatch.setattr(reference, "SILENCE_S", 0.3)
    monkeypatch.setattr(identification, "_QUIET_S", 0.01)
    monkeypatch.setattr(reference, "_STOP_S", 0.3)


def read_all(source: ReferenceSource) -> list[tuple[int, int]]:
    """Read to the end or the error; batches so far are attached to the error."""
    found: list[tuple[int, int]] = []
    try:
        while True:
            batch = source.read(2.0)
            assert batch is not None
            found += list(zip(batch.kind.tolist(), batch.at_ns.tolist(), strict=True))
            if batch.done:
                return found
    except SourceError as error:
        error.add_note(repr(found))
        raise


# Opening


def test_port_missing() -> None:
    with pytest.raises(SourceError, match=r"/dev/ttyNONE.*no such serial port.*; present: "):
        ReferenceSource("/dev/ttyNONE")


def test_port_busy() -> None:
    with device() as line:
        first = ReferenceSource(line.port)
        with pytest.raises(SourceError, match="another program is using"):
            ReferenceSource(line.port)
        first.close()
        ReferenceSource(line.port).close()


def test_no_permission(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> int:
        raise PermissionError(13, "Permission denied")

    with device() as line:
        monkeypatch.setattr("serial.serialposix.os.open", refuse)
        with pytest.raises(SourceError, match=r"no permission.*usermod -aG \w+ \$USER"):
            ReferenceSource(line.port)


def test_not_a_serial_port(tmp_path: Any) -> None:
    path = tmp_path / "file"
    path.touch()
    with pytest.raises(SourceError, match="cannot be opened as a serial port at 500000 Bd"):
        ReferenceSource(str(path))


def test_nothing_answers() -> None:
    with (
        ScriptedSerial(lambda _: b"") as line,
        pytest.raises(SourceError, match=r"does not answer.*check power, cable and baud rate"),
    ):
        ReferenceSource(line.port, patience_s=0.3)


@pytest.mark.parametrize(
    "said",
    [
        b"Unknown command\r\n",
        b"ACME,Scope 9000,123,4.5\n",
        b"\xff\x00\x80noise\x01\n",
        b"login: ",
        b"a,pulse source x,1,1\n",
    ],
)
def test_something_else_answers(said: bytes) -> None:
    with (
        ScriptedSerial(lambda line: said if b"IDN" in line else b"") as line,
        pytest.raises(SourceError, match="not a pulse source; it said") as caught,
    ):
        ReferenceSource(line.port, patience_s=0.3)
    quote = re.search("it said '(.*)'", caught.value.message)
    assert quote is not None
    assert 0 < len(quote[1]) <= 60
    assert quote[1].isprintable()
    assert quote[1].startswith(said.decode("latin-1")[0] if said[0] < 128 else ".")


def test_a_device_that_boots_first_is_waited_for() -> None:
    """Opening the port resets many boards; their boot loader swallows what it is sent at first."""
    asked = 0

    def slow(line: bytes, answer: bytes) -> bytes:
        nonlocal asked
        asked += b"IDN" in line
        return answer if asked > 1 else b""

    with device(change=slow) as line:
        source = ReferenceSource(line.port)
        assert asked == 2
        assert source.identity.tick_hz == 16_000_000
        assert not source.identity.virtual
        source.close()


def test_answers_that_come_late_and_twice_are_not_taken_for_others() -> None:
    """A device that was busy answers each time it was asked, all at once."""
    waiting = 0

    def busy(line: bytes, answer: bytes) -> bytes:
        nonlocal waiting
        if b"IDN" not in line:
            return answer
        waiting += 1
        return answer * waiting if waiting > 1 else b""

    with device(change=busy) as line:
        source = ReferenceSource(line.port)
        assert source.identity.tick_hz == 16_000_000
        source.close()


def test_a_run_left_over_from_before_is_ended() -> None:
    rest = block((MARK, 1), (STIMULUS, 0x0A0A0A0A)) + b",#10\n"
    with device(change=lambda line, answer: rest + answer if b"\x03" in line else answer) as line:
        source = ReferenceSource(line.port)
        assert source.identity.model == "test"
        source.close()


@pytest.mark.parametrize("answer", [b"fast\n", b"0\n", b"1.5\n", b"16000000", b"\xff\n", b""])
def test_half_or_no_answer(answer: bytes) -> None:
    with device(change=lambda line, good: answer if b"ROSC:FREQ" in line else good) as line:
        with pytest.raises(SourceError, match="ROSC:FREQ"):
            ReferenceSource(line.port)
        # The port is free again, or this would say that it is busy.
        with pytest.raises(SourceError, match="ROSC:FREQ"):
            ReferenceSource(line.port)


# Arming


@pytest.fixture
def plan() -> StimulusPlan:
    return StimulusPlan(count=3)


def test_every_setting_is_read_back_and_the_error_queue_looked_at(plan: StimulusPlan) -> None:
    with device() as line:
        source = ReferenceSource(line.port)
        assert source.arm(plan) == plan
        source.close()
        heard = bytes(line.heard).decode("latin-1").splitlines()
    for setting in ("PULS:PER 5000000E-9", "PULS:WIDT 50000E-9", "PULS:ARR:FLO 1000000E-9", "PULS:COUN 3", "OUTP 1"):
        at = heard.index(setting)
        assert heard[at + 1 : at + 3] == ["SYST:ERR?", setting.split()[0] + "?"]


@pytest.mark.parametrize(
    ("header", "answer", "says"),
    [
        (b"PULS:PER?", b"6.0E-3\n", r"PULS:PER was set to 5000000 ns but reads 6000000 ns"),
        (b"PULS:COUN?", b"4\n", "PULS:COUN was set to 3 but reads 4"),
        (b"PULS:ARR?", b"PER\n", "PULS:ARR was set to EXP but reads PER"),
        (b"OUTP?", b"0\n", "OUTP was set to 1 but reads 0"),
        (b"PULS:WIDT?", b"wide\n", "makes no sense: 'wide'"),
        (b"PULS:WIDT?", b"", r"did not answer PULS:WIDT\?"),
        (b"PULS:WIDT?", b"5.0E-", r"broke off its answer to PULS:WIDT\? after '5.0E-'"),
        (b"SYST:ERR?", b"OK\n", "makes no sense: 'OK'"),
    ],
)
def test_settings_that_did_not_take(plan: StimulusPlan, header: bytes, answer: bytes, says: str) -> None:
    with device(change=lambda line, good: answer if line.strip() == header else good) as line:
        source = ReferenceSource(line.port)
        with pytest.raises(SourceError, match=says):
            source.arm(plan)
        with pytest.raises(SourceError, match="nothing is armed"):
            source.start()
        source.close()


@pytest.mark.parametrize(
    ("entry", "kind"), [(b'-222,"Data out of range"\n', SettingError), (b'-363,"Input buffer overrun"\n', SourceError)]
)
def test_errors_in_the_queue(plan: StimulusPlan, entry: bytes, kind: type[Exception]) -> None:
    """The queue is emptied, so that the next setting is not blamed for this one."""
    queue: list[bytes] = []

    def change(line: bytes, good: bytes) -> bytes:
        if b"PULS:PER " in line and not queue:
            queue.extend([entry, entry])
        if b"SYST:ERR?" in line and queue:
            return queue.pop(0)
        return good

    with device(change=change) as line:
        source = ReferenceSource(line.port)
        with pytest.raises(kind, match=r"PULS:PER 5000000E-9.*" + entry.decode().strip()):
            source.arm(plan)
        assert queue == []
        source.close()


# Runs

GOOD = block((MARK, 0), (STIMULUS, 16)) + b"," + block((RISE, 32)) + b","
EDGES = [(STIMULUS, 1000), (RISE, 2000)]


def started(line: ScriptedSerial, plan: StimulusPlan) -> ReferenceSource:
    source = ReferenceSource(line.port)
    source.arm(plan)
    source.start()
    return source


def test_a_run(plan: StimulusPlan) -> None:
    with device(GOOD + block((MARK, 64)) + b",#10\n") as line:
        source = started(line, plan)
        assert read_all(source) == EDGES
        assert source.read(0.0) is None
        assert source.level() == 1
        source.close()


@pytest.mark.parametrize(
    ("rest", "says"),
    [
        (b"", "sent nothing for 0.3 s in the middle of a run"),
        (block((RISE, 64))[:6], "sent nothing"),
        (b"garbage", r"damaged: a block starts with #, this one with 'garbage'"),
        (block((7, 0)) + b",", "damaged: no record is of kind 7"),
        (block((RISE, 2**31)) + b",", "damaged: a stamp lies .* after"),
        (block((RISE, 2**32 - 2**20)) + b",", "damaged: a stamp lies .* before"),
        (b"#213" + b"\x02" * 13 + b",", "damaged: 13 bytes are no whole number"),
    ],
)
def test_what_came_before_the_damage_is_returned(plan: StimulusPlan, rest: bytes, says: str) -> None:
    with device(GOOD + rest) as line:
        source = started(line, plan)
        with pytest.raises(SourceError, match=says) as caught:
            read_all(source)
        assert caught.value.__notes__ == [repr(EDGES)]
        with pytest.raises(SourceError, match=says):
            source.read(0.0)
        if "damaged" in says:
            line.wait_for(b"READ?\n\x03")
        source.close()


def test_unplugged_mid_run(plan: StimulusPlan) -> None:
    with device(GOOD) as line:
        source = started(line, plan)
        batch = source.read(2.0)
        assert batch is not None
        assert batch.kind.tolist() == [STIMULUS, RISE]
        line.unplug()
        with pytest.raises(SourceError, match=r"the serial port is gone.*check plug and cable"):
            source.read(2.0)
        source.abort()
        source.close()


def test_unplugged_with_records_still_unread(plan: StimulusPlan) -> None:
    """What lies in the computer's buffer when the plug goes may be lost with it, never half of it shown."""
    with device(None) as line:
        source = started(line, plan)
        with pytest.raises(SourceError, match="gone"):
            source.read(2.0)
        with pytest.raises(SourceError, match="gone"):
            source.arm(plan)
        source.close()


@pytest.mark.parametrize(("entry", "kind"), [("-221,", SettingError), ("-213,", SourceError), ("0,", SourceError)])
def test_a_run_refused(plan: StimulusPlan, entry: str, kind: type[Exception]) -> None:
    asked = 0

    def change(line: bytes, good: bytes) -> bytes:
        nonlocal asked
        if b"READ?" in line or b"SYST:ERR?" not in line:
            return good
        asked += 1
        return f'{entry}"text"\n'.encode() if asked == refused_at else good

    refused_at = -1
    with device(b"#10\n", change) as line:
        source = started(line, plan)
        refused_at = asked + 1
        with pytest.raises(kind, match="start" if entry != "0," else "ended the run before it began"):
            source.read(2.0)
        source.close()


def test_reading_without_a_run_and_the_time_limit(plan: StimulusPlan) -> None:
    with device(block((MARK, 0)) + b",") as line:
        source = ReferenceSource(line.port)
        assert source.read(0.0) is None
        source.arm(plan)
        assert source.read(0.0) is None
        source.start()
        assert source.level() is None
        assert source.read(0.02) is None
        source.close()
        source.close()


def test_a_device_that_does_not_stop(plan: StimulusPlan, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reference, "SILENCE_S", 5.0)
    with device(GOOD) as line:
        source = started(line, plan)
        with pytest.raises(SourceError, match="did not stop when told to"):
            source.arm(plan)
        source.close()


class Wire:
    """Stands in for the serial port: pieces of a response, then the plug is pulled."""

    name = "wire"

    def __init__(self, pieces: list[bytes]) -> None:
        self.pieces = pieces
        self.sent = b""

    def receive(self, _: object) -> bytes:
        if not self.pieces:
            raise SourceError("gone", self.name)
        return self.pieces.pop(0)

    def send(self, data: bytes) -> None:
        self.sent += data

    def close(self) -> None: ...


@pytest.fixture(scope="module")
def shell() -> Iterator[ReferenceSource]:
    with device() as line:
        source = ReferenceSource(line.port)
        yield source
        source.close()


@settings(max_examples=200)
@given(st.data())
def test_corrupt_streams_give_a_true_beginning_or_an_error(shell: ReferenceSource, data: st.DataObject) -> None:
    """A byte put in or a few cut out anywhere, in any pieces: what comes before the error is what was sent.

    The command set has no checksum, so longer bursts can forge a record; this much cannot.
    """
    shown = [[(MARK, 0)], *([(STIMULUS, 4000 * n), (RISE, 4000 * n + 99)] for n in range(1, 8)), [(MARK, 40_000)]]
    sent = b",".join([*(block(*records) for records in shown), b"#10"]) + b"\n"
    truth = [(kind, ticks * 125 // 2) for records in shown for kind, ticks in records if kind != MARK]
    at = data.draw(st.integers(0, len(sent) - 1))
    if data.draw(st.booleans()):
        broken = sent[:at] + data.draw(st.binary(min_size=1, max_size=1)) + sent[at:]
    else:
        broken = sent[:at] + sent[at + data.draw(st.integers(1, 4)) :]
    pieces = []
    while broken:
        size = data.draw(st.integers(1, len(broken)))
        pieces.append(broken[:size])
        broken = broken[size:]
    source = object.__new__(ReferenceSource)
    source.__dict__.update(shell.__dict__, _port=Wire(pieces), _failure=None, _closed=False, _armed=True)
    source._dialogue = dialogue.Dialogue(source._port, "pulse source")
    source.start()
    found: list[tuple[int, int]] = []
    done = False
    try:
        while not done:
            batch = source.read(1.0)
            assert batch is not None
            found += list(zip(batch.kind.tolist(), batch.at_ns.tolist(), strict=True))
            done = batch.done
    except SourceError:
        pass
    assert found == truth[: len(found)]
    assert not done or found == truth
