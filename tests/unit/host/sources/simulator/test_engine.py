"""The interpreter against COMMANDS.md, without any line or clock."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.sources.simulator.engine import Engine
from edgereply.sources.simulator.stimulus import SimulatedStimulus

IDENTITY = "edgereply,pulse source virtual,1,1.0"


class Bench:
    """An instrument that runs until it is told to stop."""

    def __init__(self) -> None:
        self.running = False
        self.begun: list[SimulatedStimulus] = []
        self.records = bytearray()
        self.input = 0

    def begin(self, stimulus: SimulatedStimulus) -> None:
        self.running = True
        self.begun.append(stimulus)
        self.records.clear()

    def end(self) -> None:
        self.running = False

    def forget(self) -> None:
        self.records.clear()

    def take(self) -> bytes:
        taken = bytes(self.records[:90])
        del self.records[:90]
        return taken

    def level(self) -> int:
        return self.input


class Setup:
    def __init__(self) -> None:
        self.bench = Bench()
        self.engine = Engine(self.bench, IDENTITY, 16_000_000, 50)

    def say(self, text: str | bytes) -> str:
        data = text if isinstance(text, bytes) else text.encode("latin-1") + b"\n"
        self.engine.feed(data)
        return self.heard()

    def heard(self) -> str:
        said = self.engine.out.decode("latin-1")
        self.engine.out.clear()
        return said

    def pump(self) -> str:
        self.engine.pump()
        return self.heard()

    def errors(self) -> list[int]:
        found = []
        while (line := self.say("SYST:ERR?")) and not line.startswith("0,"):
            found.append(int(line.split(",")[0]))
        return found


@pytest.fixture
def on() -> Setup:
    setup = Setup()
    setup.say("OUTP ON")
    return setup


@pytest.mark.parametrize(
    ("query", "answer"),
    [
        ("*IDN?", IDENTITY), ("SYST:VERS?", "1999.0"), ("SYSTem:ERRor:NEXT?", '0,"No error"'), ("*TST?", "0"),
        ("*OPC?", "1"), ("*ESE?", "0"), ("*SRE?", "0"), ("*STB?", "0"), ("*ESR?", "128"),
        ("PULS:COUN?", "100"), ("PULS:POL?", "NORM"), ("PULS:ARR?", "EXP"), ("PULS:ARR:SEED?", "1"),
        ("ROSC:FREQ?", "16000000"), ("SOUR:ROSC:INT:FREQ?", "16000000"), ("ROSC:TOL?", "50"),
        ("OUTP?", "0"), ("DIG:DATA?", "0"), ("SENS:DIG:DATA?", "0"),
    ],
)  # fmt: skip
def test_answers_after_power_on(query: str, answer: str) -> None:
    setup = Setup()
    assert setup.say(query) == answer + "\n"
    assert setup.errors() == []


@pytest.mark.parametrize(
    ("header", "default_ns", "least_ns", "most_ns"),
    [
        ("PULS:PER", 5_000_000, 200_000, 60 * 10**9), ("PULS:WIDT", 50_000, 30_000, 10**7),
        ("PULS:ARR:FLO", 10**6, 100_000, 60 * 10**9), ("PULS:ARR:SPR", 10**6, 0, 60 * 10**9 - 100_000),
    ],
)  # fmt: skip
def test_times_and_their_ranges(header: str, default_ns: int, least_ns: int, most_ns: int) -> None:
    setup = Setup()

    def reads_ns() -> int:
        return round(float(setup.say(f"{header}?")) * 1e9)

    assert reads_ns() == default_ns
    for good_ns in (least_ns, most_ns):
        setup.say(f"{header} {good_ns}E-9")
        assert setup.errors() == []
        assert reads_ns() == good_ns
    for bad_ns in (least_ns - 1, most_ns + 1):
        setup.say(f"{header} {bad_ns} NS")
        assert setup.errors() == [-222]
        assert reads_ns() == most_ns
    setup.say("*RST")
    assert reads_ns() == default_ns


def test_a_time_is_kept_in_ticks() -> None:
    setup = Setup()
    setup.say("PULS:PER 1000040NS")
    assert float(setup.say("PULS:PER?")) == 16001 / 16e6


@pytest.mark.parametrize("header", ["PULS:COUN", "PULS:ARR:SEED"])
def test_whole_numbers_and_their_ranges(header: str) -> None:
    setup = Setup()
    for good in (1, 4294967295):
        setup.say(f"{header} {good}")
        assert setup.say(f"{header}?") == f"{good}\n"
    for bad in ("0", "-1", "4294967296", "1E30"):
        setup.say(f"{header} {bad}")
        assert setup.errors() == [-222]
    assert setup.say(f"{header}?") == "4294967295\n"


@pytest.mark.parametrize(
    ("command", "query", "answer"),
    [
        ("source:pulse:polarity inverted", "PULS:POL?", "INV"), ("PULS:POL NORM", "PULS:POL?", "NORM"),
        (":PULS:ARR PERiodic", "PULS:ARR?", "PER"), ("PULSE:ARRIVAL UNIF", "PULS:ARR?", "UNIF"),
        ("OUTPUT:STATE 1", "OUTP?", "1"), ("OUTP OFF", "OUTP?", "0"),
        ("*ESE 255", "*ESE?", "255"), ("*SRE 255", "*SRE?", "191"),
    ],
)  # fmt: skip
def test_words_and_spellings(command: str, query: str, answer: str) -> None:
    setup = Setup()
    assert setup.say(command) == ""
    assert setup.say(query) == answer + "\n"
    assert setup.errors() == []


@pytest.mark.parametrize(
    ("command", "code"),
    [
        ("PULS:PERI 1", -113), ("NONSENSE", -113), ("PULS:PER?1", -113), ("*IDN", -113), ("ABOR?", -113),
        (":*RST", -113),
        ("PULS:PER", -109), ("*ESE", -109), ("PULS:PER ,", -108), ("PULS:PER 1,2", -108), ("*RST 1", -108),
        ("*IDN? 1", -108),
        ("PULS:PER FAST", -104), ("PULS:COUN 1MS", -104), ("PULS:PER 5 min", -104), ("OUTP \"ON\"", -104),
        ("OUTP MAYBE", -224), ("OUTP 2", -224), ("PULS:ARR SOMETIMES", -224),
        ("*ESE 256", -222), ("PULS:PER 1E99999", -222), ("\xff\xfe", -113),
    ],
)  # fmt: skip
def test_errors(command: str, code: int) -> None:
    setup = Setup()
    assert setup.say(command) == ""
    assert setup.errors() == [code]


def test_several_commands_in_one_message() -> None:
    setup = Setup()
    assert setup.say("PULS:COUN 7; :PULS:COUN?;*OPC? ;;OUTP?") == "7\n1\n0\n"
    assert setup.say("*IDN?\r") == IDENTITY + "\n"
    assert setup.say(b"\n\r\n;\n") == ""
    assert setup.errors() == []


def test_the_error_queue_overflows_and_is_cleared() -> None:
    setup = Setup()
    for _ in range(12):
        setup.say("NONSENSE")
    assert setup.errors() == [-113] * 7 + [-350]
    setup.say("NONSENSE;*CLS")
    assert setup.errors() == []
    assert setup.say("*ESR?") == "0\n"


@pytest.mark.parametrize(("command", "bits"), [("NONSENSE", 32), ("PULS:PER 1NS", 16), ("A" * 129, 8), ("*OPC", 1)])
def test_the_event_register(command: str, bits: int) -> None:
    """IEEE 488.2 section 11.5.1: bit 5 command, 4 execution, 3 device-dependent error, 0 operation complete."""
    setup = Setup()
    setup.say("*CLS")
    setup.say(command)
    assert setup.say("*ESR?") == f"{bits}\n"
    assert setup.say("*ESR?") == "0\n"


def test_the_status_byte() -> None:
    """SCPI-99 volume 1, 9: bit 2 error queue; IEEE 488.2 section 11.2: bit 5 event summary, bit 6 master summary."""
    setup = Setup()
    setup.say("*CLS;NONSENSE")
    assert setup.say("*STB?") == "4\n"
    setup.say("*ESE 32")
    assert setup.say("*STB?") == "36\n"
    setup.say("*SRE 32")
    assert setup.say("*STB?") == "100\n"
    setup.say("*CLS")
    assert setup.say("*STB?") == "0\n"


def test_a_message_may_have_128_bytes() -> None:
    setup = Setup()
    assert setup.say("*IDN?" + " " * 123) == IDENTITY + "\n"
    assert setup.say("*IDN?" + " " * 123 + "\r") == IDENTITY + "\n"
    assert setup.errors() == []
    assert setup.say("*IDN?" + " " * 124) == ""
    assert setup.say("*IDN?" * 300) == ""
    assert setup.errors() == [-363, -363]


# Runs


def test_read_streams_blocks_and_ends_with_the_empty_one(on: Setup) -> None:
    assert on.say("PULS:COUN 3;READ?") == ""
    assert on.bench.begun[0].count == 3
    on.bench.records += b"x" * 200
    assert on.pump() == "#290" + "x" * 90 + ",#290" + "x" * 90 + ",#220" + "x" * 20 + ","
    assert on.pump() == ""
    on.bench.records += b"y" * 5
    on.bench.running = False
    assert on.pump() == "#15yyyyy,#10\n"
    assert on.say("*OPC?") == "1\n"


def test_a_slow_reader_holds_the_stream_back_but_loses_nothing(on: Setup) -> None:
    on.say("READ?")
    on.bench.records += b"x" * 90 * 100
    on.bench.running = False
    said = ""
    while not said.endswith("#10\n"):
        on.engine.pump()
        assert len(on.engine.out) < 4096 + 100
        said += on.heard()
    assert said.count("x") == 9000


def test_init_and_fetch(on: Setup) -> None:
    assert Setup().say("FETC?") == "#10\n"
    assert on.say("FETC?") == "#10\n"
    assert on.errors() == [-230]
    assert on.say("INIT;FETC?") == "#10\n"
    on.bench.records += b"x" * 95
    assert on.say("FETCh?") == "#290" + "x" * 90 + "\n"
    on.bench.running = False
    assert on.pump() == ""
    assert on.say("FETC?;FETC?") == "#15xxxxx\n#10\n"
    on.say("*RST")
    assert on.say("FETC?") == "#10\n"
    assert on.errors() == [-230]


@pytest.mark.parametrize(
    "settings",
    [
        "OUTP OFF",
        "PULS:WIDT 951US",
        "PULS:ARR PER;PULS:PER 1MS;PULS:WIDT 951US",
        "PULS:ARR UNIF;PULS:PER 1MS;PULS:ARR:SPR 901US",
        "PULS:ARR UNIF;PULS:PER 1MS;PULS:ARR:SPR 500US;PULS:WIDT 451US",
        "PULS:PER 1MS;PULS:ARR:FLO 1001US",
    ],
)
def test_settings_that_do_not_go_together(on: Setup, settings: str) -> None:
    on.say(settings)
    assert on.errors() == []
    assert on.say("INIT") == ""
    assert on.errors() == [-221]
    assert on.say("READ?") == "#10\n"
    assert on.errors() == [-221]
    assert on.bench.begun == []


@pytest.mark.parametrize(
    "settings",
    [
        "PULS:WIDT 950US",
        "PULS:ARR PER;PULS:PER 1MS;PULS:WIDT 950US;PULS:ARR:FLO 2MS",
        "PULS:ARR UNIF;PULS:PER 1MS;PULS:ARR:SPR 900US",
        "PULS:PER 1MS;PULS:ARR:FLO 1MS;PULS:ARR:SPR 5MS",
    ],
)
def test_settings_at_their_limits_go_together(on: Setup, settings: str) -> None:
    on.say(settings)
    on.say("INIT")
    assert on.errors() == []
    assert len(on.bench.begun) == 1


def test_what_works_during_a_run(on: Setup) -> None:
    on.bench.input = 1
    on.say("INIT")
    assert on.say("DIG:DATA?;*IDN?;*ESR?;*STB?;FETC?") == f"1\n{IDENTITY}\n128\n0\n#10\n"
    assert on.errors() == []
    assert on.say("READ?") == "#10\n"
    assert on.say("INIT") == ""
    assert on.say("PULS:PER?;PULS:COUN 3;OUTP OFF;SYST:VERS?") == ""
    assert on.errors() == [-213, -213, -284, -284, -284, -284]
    assert len(on.bench.begun) == 1


def test_nothing_but_stopping_works_while_streaming(on: Setup) -> None:
    on.say("READ?")
    assert on.say("*IDN?;FETC?;READ?;*OPC?;SYST:ERR?") == ""
    assert on.say("ABOR") == "#10\n"
    assert on.errors() == [-284, -284, -213, -284, -284]


@pytest.mark.parametrize("stop", ["ABORt\n", "*RST\n", "\x03", "half a mess\x03"])
def test_stopping_sends_what_is_left(on: Setup, stop: str) -> None:
    on.say("READ?")
    on.bench.records += b"x" * 5
    assert on.say(stop.encode()) == "#15xxxxx,#10\n"
    assert not on.bench.running
    assert on.say("*IDN?") == IDENTITY + "\n"
    assert on.errors() == []


def test_clearing_status_does_not_stop_a_run(on: Setup) -> None:
    on.say("READ?")
    on.say("NONSENSE;*CLS")
    assert on.bench.running
    on.say("ABOR")
    assert on.errors() == []


def test_device_clear_empties_the_input_buffer() -> None:
    setup = Setup()
    assert setup.say(b"A" * 200 + b"\x03*IDN?\n") == IDENTITY + "\n"
    assert setup.errors() == []


def test_complete_waits_for_the_run(on: Setup) -> None:
    on.say("INIT")
    assert on.say("*OPC?;PULS:COUN 9;PULS:COUN?") == ""
    assert on.pump() == ""
    on.bench.running = False
    assert on.pump() == "1\n9\n"
    assert on.errors() == []


def test_wait_holds_what_follows_but_not_an_abort(on: Setup) -> None:
    on.say("*CLS")
    assert on.say("*OPC;INIT;*OPC?") == ""
    assert on.say("*IDN?") == ""
    assert on.say("ABOR") == f"1\n{IDENTITY}\n"


def test_a_device_clear_forgets_what_was_held(on: Setup) -> None:
    on.say("INIT;*OPC?;*IDN?")
    assert on.say(b"\x03") == ""
    assert on.say("*OPC?") == "1\n"


def test_what_is_held_is_bounded(on: Setup) -> None:
    on.say("INIT;*OPC?")
    for _ in range(100):
        on.say("*IDN?")
    on.bench.running = False
    said = on.pump()
    assert said == "1\n" + (IDENTITY + "\n") * 64
    assert set(on.errors()) == {-363, -350}


COMMANDS = [b"READ?\n", b"INIT\n", b"OUTP ON;", b"*OPC?\n", b"ABOR\n", b"\x03", b"FETC?\n", b"*RST\n", b";", b"\n"]


@given(st.lists(st.one_of(st.binary(max_size=30), st.sampled_from(COMMANDS)), max_size=30))
def test_random_input_leaves_it_working(pieces: list[bytes]) -> None:
    setup = Setup()
    for piece in pieces:
        setup.engine.feed(piece)
        setup.engine.pump()
    setup.engine.feed(b"\x03\n*RST;*CLS\n")
    setup.heard()
    assert setup.say("*IDN?;SYST:ERR?;OUTP?") == IDENTITY + '\n0,"No error"\n0\n'


@given(st.permutations(["PULS:COUN 5", "NONSENSE", "PULS:COUN?", "*IDN?", "PULS:PER 1NS", "OUTP ON", "READ?", "ABOR"]))
def test_byte_by_byte_is_the_same(commands: list[str]) -> None:
    data = "\n".join([*commands, "SYST:ERR?"]).encode() + b"\n"
    whole, single = Setup(), Setup()
    expected = whole.say(data)
    for byte in data:
        single.engine.feed(bytes([byte]))
    assert single.heard() == expected
