"""Clock, buffer, run and wires of the virtual source, on computed times only."""

import contextlib
import random
import socket
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.errors import SettingError
from edgereply.sources.arrivals import intervals
from edgereply.sources.base import StimulusPlan
from edgereply.sources.simulator.buffer import RecordBuffer
from edgereply.sources.simulator.clock import VirtualClock
from edgereply.sources.simulator.faults import Faults
from edgereply.sources.simulator.run import DELIVER, GHOST_FALL, GHOST_RISE, TAIL_NS, SimulatedRun
from edgereply.sources.simulator.stimulus import SimulatedStimulus
from edgereply.sources.simulator.wires import MOST_WAITING, Wires, remove_leftover

CLOCK = VirtualClock(tick_hz=16_000_000, drift_ppb=0, offset=0, origin_ns=0)


@given(st.integers(0, 10**15), st.integers(-100_000, 100_000), st.integers(0, 2**32 - 1))
def test_the_clock_there_and_back(at_ns: int, drift_ppb: int, offset: int) -> None:
    clock = VirtualClock(tick_hz=16_000_000, drift_ppb=drift_ppb, offset=offset, origin_ns=5)
    ticks = clock.ticks(at_ns)
    first = clock.at_ns(ticks)
    assert clock.ticks(first) == ticks
    assert clock.ticks(first - 1) == ticks - 1


def test_the_clock_drifts() -> None:
    """50 ppm are 50 µs in a second: 800 ticks of 62.5 ns."""
    clock = VirtualClock(tick_hz=16_000_000, drift_ppb=50_000, offset=3, origin_ns=0)
    assert clock.ticks(10**9) == 3 + 16_000_000 + 800


def unpacked(data: bytes) -> list[tuple[int, int]]:
    return [struct.unpack_from("<BI", data, at) for at in range(0, len(data), 5)]


def test_the_buffer_puts_records_in_order_and_holds_back() -> None:
    buffer = RecordBuffer(100, slack=10)
    for kind, ticks in ((1, 100), (3, 300), (2, 200)):
        buffer.add(kind, ticks)
    buffer.release(250)
    assert unpacked(buffer.take()) == [(1, 100), (2, 200)]
    assert buffer.take() == b""
    buffer.release(300)
    assert unpacked(buffer.take()) == [(3, 300)]


def test_a_record_that_comes_too_late_counts_as_lost() -> None:
    buffer = RecordBuffer(100, slack=10)
    buffer.add(1, 100)
    buffer.release(100)
    buffer.add(2, 90)
    buffer.add(2, 89)
    buffer.add(1, 2**32 + 5)
    buffer.release(2**33)
    # 89 is lost before 90 is looked at, because the buffer sorts what waits.
    assert unpacked(buffer.take()) == [(1, 100), (6, 1), (2, 90), (1, 5)]


def test_a_full_buffer_counts_what_it_swallows() -> None:
    buffer = RecordBuffer(4, slack=0)
    for ticks in range(10):
        buffer.add(1, ticks)
    buffer.release(10)
    assert unpacked(buffer.take()) == [(1, 0), (1, 1), (1, 2), (1, 3)]
    buffer.add(1, 11)
    buffer.release(11)
    assert unpacked(buffer.take()) == [(6, 6), (1, 11)]


@given(st.lists(st.integers(0, 50), max_size=200), st.integers(2, 20), st.data())
def test_every_record_is_taken_or_counted(ticks: list[int], capacity: int, data: st.DataObject) -> None:
    buffer, taken, now = RecordBuffer(capacity, slack=5), 0, 0
    for step in ticks:
        now += step
        buffer.add(1, max(0, now - data.draw(st.integers(0, 20))))
        buffer.release(now - 8)
        if data.draw(st.booleans()):
            taken += counted(buffer.take())
    buffer.release(now)
    while block := buffer.take():
        taken += counted(block)
        assert len(block) <= 90
    buffer.add(5, now)
    buffer.release(now)
    assert taken + counted(buffer.take()) == len(ticks) + 1


def counted(block: bytes) -> int:
    return sum(value if kind == 6 else 1 for kind, value in unpacked(block))


def stimulus(plan: StimulusPlan) -> SimulatedStimulus:
    return SimulatedStimulus(
        tick_hz=16_000_000, period=plan.period_ns * 2 // 125, width=800, floor=plan.floor_ns * 2 // 125,
        spread=plan.spread_ns * 2 // 125, count=plan.count, seed=plan.seed, pattern=plan.pattern,
    )  # fmt: skip


@pytest.mark.parametrize("pattern", ["periodic", "uniform", "exponential"])
def test_stimuli_are_due_when_the_plan_says(pattern: str) -> None:
    plan = StimulusPlan(pattern=pattern, count=500, seed=9)  # type: ignore[arg-type]
    start_ns = 1_000_000_000
    run = SimulatedRun(stimulus(plan), CLOCK, start_ns, Faults(), random.Random(0))
    due = []
    while run.due_ns is not None:
        due.append(run.due_ns)
        run.advance(run.due_ns)
    expected = start_ns * 2 // 125 + intervals(plan, 16_000_000, 500).cumsum()
    assert [CLOCK.ticks(at) for at in due] == expected.tolist()
    assert run.emitted == 500
    assert run.ends_ns == due[-1] + TAIL_NS


def test_a_late_stimulus_does_not_shift_the_following_ones() -> None:
    plan = StimulusPlan(pattern="periodic", period_ns=1_000_000, count=5)
    run = SimulatedRun(stimulus(plan), CLOCK, 0, Faults(), random.Random(0))
    emitted = []
    for late_ns in (0, 2_500_000, 0, 0, 0):
        assert run.due_ns is not None
        emitted.append(run.due_ns + late_ns)
        run.advance(emitted[-1])
    # Due at 1, 2, 3, 4, 5 ms; the second comes at 4.5 ms; then width + 20 µs apart until caught up.
    assert emitted == [1_000_000, 4_500_000, 4_570_000, 4_640_000, 5_000_000]


def test_no_faults_by_default() -> None:
    run = SimulatedRun(SimulatedStimulus.default(16_000_000), CLOCK, 0, Faults(), random.Random(0))
    assert [run.deliveries(at) for at in range(100)] == [1] * 100
    assert run.later == []
    assert Faults().arguments() == []


@pytest.mark.parametrize(
    ("faults", "deliveries", "later"),
    [
        (Faults(drop=1), 0, []),
        (Faults(duplicate=1), 2, []),
        (Faults(late=1, late_us=7), 0, [(7_000, DELIVER)]),
    ],
)
def test_faults_of_a_stimulus(faults: Faults, deliveries: int, later: list[tuple[int, int]]) -> None:
    run = SimulatedRun(SimulatedStimulus.default(16_000_000), CLOCK, 0, faults, random.Random(0))
    assert run.deliveries(0) == deliveries
    assert run.later == later
    assert run.pop_later(6_999) is None
    assert run.pop_later(7_000) == (later[0][1] if later else None)


def test_a_ghost_rises_within_the_period_and_falls() -> None:
    run = SimulatedRun(SimulatedStimulus.default(16_000_000), CLOCK, 0, Faults(spurious=1), random.Random(0))
    assert run.deliveries(0) == 1
    (rise_ns, rise), (fall_ns, fall) = sorted(run.later)
    assert (rise, fall) == (GHOST_RISE, GHOST_FALL)
    assert 0 <= rise_ns < 5_000_000
    assert fall_ns > rise_ns
    assert run.next_ns() == min(rise_ns, run.due_ns or 0)


def test_how_often_faults_happen() -> None:
    """1000 of probability 0.2: standard deviation √(1000·0.2·0.8) = 12.6; four of them are 51."""
    run = SimulatedRun(SimulatedStimulus.default(16_000_000), CLOCK, 0, Faults(drop=0.2), random.Random(1))
    dropped = sum(run.deliveries(0) == 0 for _ in range(1000))
    assert abs(dropped - 200) <= 51


@pytest.mark.parametrize("bad", [{"drop": 1.5}, {"late": -0.1}, {"late_us": -1}, {"unplug_after": 1.5}, {"drop": "x"}])
def test_impossible_faults(bad: dict[str, object]) -> None:
    with pytest.raises(SettingError):
        Faults.from_options(bad)


def test_unknown_fault() -> None:
    with pytest.raises(SettingError, match="no fault 'dorp'"):
        Faults.from_options({"dorp": 0.1})


def test_fault_arguments() -> None:
    faults = Faults(drop=0.25, late_us=5, unplug_after=9)
    assert faults.arguments() == ["--drop=0.25", "--late-us=5", "--unplug-after=9"]


def connect(wires: Wires) -> socket.socket:
    board = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    board.settimeout(5)
    board.connect(wires.path)
    wires.accept()
    return board


def test_an_event_is_laid_out_like_the_kernels() -> None:
    """struct gpio_v2_line_event, linux/gpio.h: u64 timestamp_ns, u32 id offset seqno line_seqno padding[6]."""
    wires = Wires()
    with connect(wires) as board:
        wires.emit(123_456_789_012)
        wires.emit(5)
        assert board.recv(100) == struct.pack("<QIIII6I", 123_456_789_012, 1, 0, 1, 1, *[0] * 6)
        assert struct.unpack_from("<QIIII", board.recv(100)) == (5, 1, 0, 2, 2)
    wires.close()
    assert not Path(wires.path).parent.exists()


def test_changes_are_stamped_by_the_board() -> None:
    wires = Wires()
    with connect(wires) as board:
        for at_ns, level in ((100, 1), (150, 1), (200, 0)):
            board.send(struct.pack("<qII", at_ns, 0, level))
        assert wires.changes(999) == [(100, 1), (200, 0)]
        assert wires.changes(999) == []
    wires.close()


def test_a_board_that_leaves_lets_its_line_go() -> None:
    wires = Wires()
    board, other = connect(wires), connect(wires)
    board.send(struct.pack("<qII", 100, 0, 1))
    board.close()
    assert wires.changes(500) == [(100, 1), (500, 0)]
    wires.emit(1)
    assert len(other.recv(100)) == 48
    other.send(b"short")
    assert wires.changes(600) == []
    assert wires.boards() == []
    other.close()
    wires.close()


def test_edges_wait_for_a_board_that_does_not_read_up_to_a_limit() -> None:
    wires = Wires()
    with connect(wires) as board:
        board.setblocking(False)
        numbers: list[int] = []

        def read_on() -> None:
            with contextlib.suppress(BlockingIOError):
                while True:
                    stamp, _, _, number, _ = struct.unpack_from("<QIIII", board.recv(100))
                    assert stamp == 10 * number
                    numbers.append(number)

        for number in range(1, 6001):
            wires.emit(10 * number)
        read_on()
        fitted = len(numbers)
        while wires.changes(0) == [] and len(numbers) < fitted + MOST_WAITING:
            read_on()
        # What fitted into the socket and what waited came in order, the rest was lost.
        assert numbers == list(range(1, fitted + MOST_WAITING + 1))
        assert len(numbers) < 6000
        wires.emit(60_010)
        read_on()
        assert numbers[-1] == 6001
    wires.close()


def test_leftovers_are_removed_and_nothing_else(tmp_path: Path) -> None:
    wires = Wires()
    remove_leftover(wires.path)
    assert not Path(wires.path).parent.exists()
    other = tmp_path / "wires"
    other.touch()
    remove_leftover(str(other))
    assert other.exists()
    wires.close()
