"""The pulse source in the board: its commands, its arrival patterns, what it captures."""

import itertools
import math
import random
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from edgereply.sources.arrivals import intervals as host_intervals
from edgereply.sources.base import StimulusPlan
from tests.virtual_board import VirtualBoard
from tests.virtual_board.cache import GUEST
from tests.virtual_board.responding import responding
from tests.virtual_board.source_client import FALL, LOST, MARK, RISE, STIMULUS, SourceClient, records
from tests.virtual_board.witness import watching_outputs

pytestmark = pytest.mark.virtual_board
RATE = 1_000_000_000
LOOP = "source:stimulus->source:response"
REJECT_OUT = 5


@pytest.fixture
def source(icount_board: VirtualBoard) -> Iterator[SourceClient]:
    with SourceClient(icount_board.serial_port) as client:
        yield client


def intervals(arrival: str, count: int, seed: int, period: int, floor: int, spread: int) -> list[int]:
    """The documented formulas, written down a second time. Times in ticks."""
    table = [math.floor(65536 * math.log2(1 + i / 64) + 0.5) for i in range(65)]
    x, found = seed, []
    for _ in range(count):
        if arrival == "PER":
            found.append(period)
            continue
        x ^= (x << 13) & 0xFFFFFFFF
        x ^= x >> 17
        x ^= (x << 5) & 0xFFFFFFFF
        if arrival == "UNIF":
            found.append(period - spread + ((x * (2 * spread + 1)) >> 32))
            continue
        n = x.bit_length() - 1
        m = (x << (31 - n)) & 0x7FFFFFFF
        i, f = m >> 25, (m >> 9) & 0xFFFF
        log2 = (n << 16) + table[i] + (((table[i + 1] - table[i]) * f) >> 16)
        e = (((32 << 16) - log2) * 45426) >> 16
        assert abs(e / 65536 + math.log(x / 2**32)) < 1e-3
        found.append(floor + (((period - floor) * e) >> 16))
    return found


def test_identity_and_defaults(source: SourceClient) -> None:
    vendor, model, _, _ = source.ask("*IDN?").split(",")
    assert (vendor, model) == ("edgereply", "pulse source virtual-board")
    assert source.ask("SYST:VERS?") == "1999.0"
    assert source.ask("*TST?") == "0"
    assert int(source.ask("ROSC:FREQ?")) == RATE
    assert float(source.ask("ROSC:TOL?")) == 50
    asked = {"PER": 5e-3, "WIDT": 50e-6, "COUN": 100, "ARR:FLO": 1e-3, "ARR:SPR": 1e-3, "ARR:SEED": 1}
    assert {name: float(source.ask(f"PULS:{name}?")) for name in asked} == asked
    assert source.ask("PULS:POL?;ARR?") == "NORM"  # each command starts at the root
    assert source.errors() == [-113]
    assert [source.ask("PULS:ARR?"), source.ask("OUTP?"), source.ask("DIG:DATA?")] == ["EXP", "0", "0"]


@pytest.mark.parametrize(
    "header", ["PULS:PER", "pulse:period", ":SOURce:PULSe:PERiod", "sour:puls:per", "Source:Puls:Period"]
)
@pytest.mark.parametrize("value", ["2MS", "2 ms", "0.002", "2e-3", "+2000US", ".002 S", "2000000 ns", "2.E-3"])
def test_headers_and_numbers_in_all_their_forms(source: SourceClient, header: str, value: str) -> None:
    source.send(f"{header} {value}\r")
    assert float(source.ask(f"{header}?")) == 0.002
    assert source.errors() == []


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        ("PULS:PERI 1", [-113]),
        ("PUL:PER 1", [-113]),
        ("PULS:PER:X 1", [-113]),
        ("ABOR?", [-113]),
        ("*IDN", [-113]),
        (":*IDN?", [-113]),
        ("PULS:PER", [-109]),
        ("PULS:PER? 1", [-108]),
        ("PULS:PER 1,2", [-108]),
        ("*CLS 1", [-108]),
        ("PULS:PER now", [-104]),
        ("PULS:PER inf", [-104]),
        ("PULS:PER 0x10", [-104]),
        ("PULS:PER 1 KS", [-104]),
        ("PULS:COUN 5 MS", [-104]),
        ("PULS:PER 199 US", [-222]),
        ("PULS:PER 61", [-222]),
        ("PULS:PER -1", [-222]),
        ("PULS:PER 1e300", [-222]),
        ("PULS:WIDT 29 US;WIDT 11 MS", [-222, -113]),
        ("PULS:COUN 0;:PULS:COUN 4294967296;:PULS:ARR:SEED 0", [-222] * 3),
        ("PULS:ARR NEVER", [-224]),
        ("PULS:POL 1", [-104]),
        ("*ESE 256", [-222]),
        ("FETC", [-113]),
        (";;PULS:COUN 7; ;", []),
        ("X" * 129, [-363]),
        ("PULS:COUN 7" + " " * 117, []),
        ("X;" * 12, [-113] * 7 + [-350]),
    ],
)
def test_errors_are_queued_with_their_standard_numbers(source: SourceClient, message: str, expected: list[int]) -> None:
    source.send(message)
    assert source.errors() == expected
    assert float(source.ask("PULS:PER?")) == 5e-3


def test_status_registers(source: SourceClient) -> None:
    assert source.ask("*ESR?") == "0"
    source.send("NONSENSE;PULS:PER 99;*OPC;" + "X" * 200)
    source.send("NONSENSE;PULS:PER 99;*OPC")
    assert int(source.ask("*ESR?")) == 32 | 16 | 8 | 1
    assert source.ask("*ESR?") == "0"
    source.send("*ESE 48;*SRE 255")
    assert [source.ask("*ESE?"), source.ask("*SRE?")] == ["48", "191"]
    assert int(source.ask("*STB?")) == 4 | 64
    source.send("NONSENSE")
    assert int(source.ask("*STB?")) == 4 | 32 | 64
    source.send("*CLS")
    assert int(source.ask("*STB?")) == 0
    assert source.ask("SYST:ERR:NEXT?") == '0,"No error"'
    source.send("*ESE 0;*SRE 0")


@pytest.mark.parametrize(
    "settings",
    [
        "OUTP OFF",
        "PULS:ARR:FLO 6MS",
        "PULS:WIDT 951US",
        "PULS:ARR PER;:PULS:WIDT 4951US",
        "PULS:ARR UNIF;:PULS:ARR:SPR 4901US",
        "PULS:ARR UNIF;:PULS:WIDT 3951US",
    ],
)
def test_settings_that_do_not_go_together_start_nothing(source: SourceClient, settings: str) -> None:
    source.send(f"OUTP ON;{settings}")
    assert source.errors() == []
    source.send("INIT")
    assert source.errors() == [-221]
    source.send("READ?")
    assert source.block() == (b"", b"\n")
    assert source.errors() == [-221]
    assert source.ask("*OPC?") == "1"


@pytest.mark.parametrize(
    ("arrival", "seed"), [("PER", 1), *itertools.product(["UNIF", "EXP"], [1, 2463534242, 4294967295])]
)
def test_stimuli_come_when_the_documented_formulas_say(
    icount_board: VirtualBoard, source: SourceClient, arrival: str, seed: int
) -> None:
    icount_board.wire(LOOP)
    source.send("PULS:COUN 150;:PULS:PER 6MS;:PULS:WIDT 40US;:PULS:ARR:FLO 3MS;:PULS:ARR:SPR 2MS")
    source.send(f"PULS:ARR {arrival};:PULS:ARR:SEED {seed};:OUTP ON")
    assert source.errors() == []
    kinds, ticks = source.read_run(30)
    stimuli = ticks[kinds == STIMULUS]
    due = ticks[0] + np.cumsum(intervals(arrival, 150, seed, 6_000_000, 3_000_000, 2_000_000))
    lateness = stimuli - due
    assert lateness.min() >= 0
    # A busy host makes single stimuli late, even in virtual time; a wrong draw would make all later ones so.
    assert lateness.reshape(-1, 25).min(axis=1).max() < 200_000
    rises, falls = ticks[kinds == RISE], ticks[kinds == FALL]
    assert rises.size == falls.size == 150
    assert ((rises >= stimuli) & (rises - stimuli < 5_000)).all()
    assert (falls - stimuli >= 40_000).all()
    assert source.errors() == []


@pytest.mark.parametrize("arrival", ["PER", "UNIF", "EXP"])
@pytest.mark.parametrize("seed", [1, 3, 2**31, 2463534242, 2**32 - 1])
@pytest.mark.parametrize(
    ("period", "floor", "spread"), [(5_000_000, 10**6, 10**6), (6 * 10**10, 10**5, 6 * 10**10 - 10**5)]
)
def test_the_arithmetic_is_the_documented_one_bit_for_bit(
    drawer: Path, arrival: str, seed: int, period: int, floor: int, spread: int
) -> None:
    which = ["PER", "UNIF", "EXP"].index(arrival)
    numbers = [which, seed, period, floor, spread, 5000]
    done = subprocess.run([drawer, *map(str, numbers)], capture_output=True, text=True, timeout=30, check=True)
    assert [int(line) for line in done.stdout.split()] == intervals(arrival, 5000, seed, period, floor, spread)


@pytest.mark.parametrize(("shortest", "longest"), [(5_000, 2_500_000), (5_001, 5_001), (77_777, 30_000_000_000)])
@pytest.mark.parametrize("seed", [1, 2463534242, 2**32 - 1])
def test_pairs_are_those_of_the_host_bit_for_bit(drawer: Path, seed: int, shortest: int, longest: int) -> None:
    """The host's are another implementation, over whole arrays."""
    plan = StimulusPlan(
        pattern="pairs", period_ns=2 * longest, seed=seed, shortest_gap_ns=shortest, longest_gap_ns=longest
    )
    numbers = [3, seed, plan.period_ns, shortest, longest, 501]
    done = subprocess.run([drawer, *map(str, numbers)], capture_output=True, text=True, timeout=30, check=True)
    assert [int(line) for line in done.stdout.split()] == host_intervals(plan, RATE, 501).tolist()


@pytest.fixture(scope="module")
def drawer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    program = tmp_path_factory.mktemp("drawer") / "draw-intervals"
    compiler = ["gcc", "-Wall", "-Werror", f"-I{GUEST / 'module'}", "-o", str(program), str(GUEST / "draw_intervals.c")]
    subprocess.run(compiler, timeout=60, check=True)
    return program


def test_marks_bound_a_run_and_ticks_wrap(icount_board: VirtualBoard, source: SourceClient) -> None:
    icount_board.wire(LOOP)
    source.send("PULS:ARR PER;:PULS:PER 900MS;:PULS:COUN 6;:OUTP ON")
    kinds, ticks = source.read_run(30)
    assert [kinds[0], kinds[-1]] == [MARK, MARK]
    assert np.diff(ticks[kinds == MARK]).max() <= RATE
    assert ticks[-1] - ticks[0] > 2**32
    assert ticks[-1] - ticks[kinds == STIMULUS][-1] >= 100_000_000


def check_run(board: VirtualBoard, settings: str, count: int) -> tuple[npt.NDArray[np.int64], int]:
    """Runs stimuli against the responder in C and checks all four accounts of it against each other.

    Returns: times in ns from stimulus to response of the answered stimuli, and how many answers there were.
    """
    offset = int(board.run("cat /sys/module/edgereply_bench/parameters/tick_offset_ns", 30)) % 2**32
    with SourceClient(board.serial_port) as source:
        source.send(f"PULS:COUN {count};:OUTP ON;{settings}")
        assert source.errors() == []
        with watching_outputs(board) as trace, responding(board, count, 20) as responder:
            kinds, ticks = source.read_run(60)
            # edges may have merged: the responder need not wait for those until its own deadline
            board.run("pkill -ALRM -x responder; true", 30)
            stamps = responder.stamps()
        assert source.errors() == []
    assert set(kinds.tolist()) == {STIMULUS, RISE, FALL, MARK}
    stimuli, rises, falls = (ticks[kinds == kind] for kind in (STIMULUS, RISE, FALL))
    assert stimuli.size == count
    assert rises.size == falls.size == stamps.set.size

    # source clock onto board clock: known here, and only modulo 2**32
    shift = (rises[0] - offset - stamps.set[0] + 2**31) % 2**32 - 2**31 - (rises[0] - stamps.set[0])
    stimuli, rises, falls = stimuli + shift, rises + shift, falls + shift
    assert ((stamps.wake <= rises) & (rises <= stamps.set)).all()
    assert ((stamps.set <= falls) & (falls <= stamps.clear)).all()
    causes = stimuli[np.searchsorted(stimuli, stamps.edge, side="right") - 1]
    assert (causes <= stamps.edge).all()

    seen_rises, seen_falls = trace.changes(REJECT_OUT)
    assert seen_rises.size == rises.size
    assert ((stamps.wake <= seen_rises) & (seen_rises <= stamps.set)).all()
    assert ((stamps.set <= seen_falls) & (seen_falls <= stamps.clear)).all()
    return rises - causes, rises.size


def test_every_stimulus_is_answered_and_captured(icount_board: VirtualBoard) -> None:
    reaction_ns, answers = check_run(icount_board, "PULS:PER 5MS", 300)
    assert answers == 300
    assert 10_000 < np.median(reaction_ns) < 40_000  # virtual: instructions, at 2 ns each
    assert np.percentile(reaction_ns, 99) < 500_000


@pytest.mark.parametrize("kernel", ["plain", "rt"])
def test_source_responder_and_kernel_agree(kernel: str, request: pytest.FixtureRequest) -> None:
    board: VirtualBoard = request.getfixturevalue(f"{kernel}_board")
    _, answers = check_run(board, "PULS:PER 8MS;:PULS:ARR:FLO 4MS", 300)
    assert 0 < answers <= 300  # edges merge when the host is busy: each answer counts, how many says nothing


def test_records_are_fetched_piece_by_piece(icount_board: VirtualBoard, source: SourceClient) -> None:
    icount_board.wire(LOOP)
    source.send("FETC?")
    assert source.block() == (b"", b"\n")
    assert source.errors() == [-230]
    source.send("PULS:COUN 40;:PULS:PER 10MS;:OUTP ON;:INIT")
    source.send("PULS:COUN 3;:INIT;:READ?")
    assert source.block() == (b"", b"\n")
    assert source.ask("*IDN?").startswith("edgereply")
    assert source.errors() == [-284, -213, -213]
    source.send("*OPC?;*ESR?;*IDN?")
    assert source.line() == "1"
    assert int(source.line()) == 16
    assert source.line().startswith("edgereply")
    collected = b""
    for _ in itertools.repeat(None, 100):
        source.send("FETC?")
        content, after = source.block()
        assert after == b"\n"
        assert len(content) <= 90
        if not content:
            break
        collected += content
    kinds, _ = records(collected)
    assert [int((kinds == kind).sum()) for kind in (STIMULUS, RISE, FALL)] == [40] * 3
    source.send("*RST;FETC?")
    assert source.block() == (b"", b"\n")
    assert source.errors() == [-230]


@pytest.mark.parametrize("stop", [b"ABOR\n", b"*RST\n", b"\x03", b"PULS:COU\x03", b"*CLS;ABOR\n"])
def test_a_streamed_run_can_be_stopped(icount_board: VirtualBoard, source: SourceClient, stop: bytes) -> None:
    icount_board.wire(LOOP)
    source.send("PULS:COUN 100000;:PULS:PER 5MS;:OUTP ON;:READ?")
    first = [source.block()[0] for _ in range(5)]
    source.send(stop)
    kinds, ticks = records(b"".join(first + source.rest_of_run(10)))
    assert kinds[-1] == MARK
    assert 0 < (kinds == STIMULUS).sum() < 2000
    assert (kinds == RISE).sum() == (kinds == STIMULUS).sum()
    assert source.ask("DIG:DATA?") == "0"
    assert source.ask("*OPC?") == "1"
    assert source.errors() == []
    assert ticks[-1] > ticks[0]


def test_other_commands_are_refused_while_streaming(source: SourceClient) -> None:
    source.send("PULS:COUN 100;:OUTP ON;:READ?;*IDN?")
    source.send("*IDN?;PULS:COUN 5;FETC?;INIT")
    source.rest_of_run(10)
    assert source.line().startswith("edgereply")  # kept back until the answer before it was complete
    assert source.errors() == [-284, -284, -284, -213]
    assert source.ask("PULS:COUN?") == "100"


def test_polarity_turns_the_stimulus_round(icount_board: VirtualBoard, source: SourceClient) -> None:
    icount_board.wire(LOOP)
    source.send("PULS:POL INV")
    assert source.ask("DIG:DATA?") == "1"
    source.send("PULS:COUN 20;:OUTP ON")
    kinds, _ = source.read_run(10)
    assert kinds[kinds != MARK].tolist() == [STIMULUS, FALL, RISE] * 20
    source.send("*RST")
    assert source.ask("DIG:DATA?") == "0"
    assert source.ask("PULS:POL?") == "NORM"


def test_a_full_buffer_is_counted(icount_board: VirtualBoard, source: SourceClient) -> None:
    icount_board.wire(LOOP)
    source.send("PULS:ARR PER;:PULS:PER 200US;:PULS:COUN 4000;:OUTP ON;:INIT;*OPC?")
    assert source.line() == "1"
    collected = b""
    while True:
        source.send("FETC?")
        content, _ = source.block()
        if not content:
            break
        collected += content
    kinds, values = records(collected)
    lost = values[kinds == LOST]
    assert lost.size == 1
    assert (kinds != LOST).sum() == 8191
    assert 0 <= (kinds != LOST).sum() + lost[0] - 3 * 4000 - 2 < 10  # the rest are marks between the first and the last
    assert kinds[-1] == MARK


def test_messages_may_come_byte_by_byte(source: SourceClient) -> None:
    for byte in b":PULS:COUN 77;:PULS:ARR:SEED 5\r\n":
        source.send(bytes([byte]))
        time.sleep(0.002)
    assert [source.ask("PULS:COUN?"), source.ask("PULS:ARR:SEED?")] == ["77", "5"]


@pytest.mark.parametrize("seed", range(3))
def test_noise_does_no_harm(source: SourceClient, seed: int) -> None:
    noise = random.Random(seed)
    words = [b"PULS:", b"ARR", b" ", b"1", b";", b"*", b"CLS", b"\n", b":", b"\0", b"E9", b"FETC", b"[", b",", b"\xff"]
    for _ in range(40):
        source.send(b"".join(noise.choices(words, k=60)))
        source.send(noise.randbytes(40).replace(b"?", b"!"))
    source.send(b"\n\x03*CLS\n*RST\n")
    assert source.ask("*OPC?") == "1"
    assert source.ask("PULS:COUN?") == "100"
    assert source.errors() == []
