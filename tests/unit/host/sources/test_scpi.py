"""Messages and answers: whole, byte by byte, with trailing, corrupt and random input."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.sources import scpi
from edgereply.sources.wire_records import RecordError, decode

CONTENTS = st.lists(st.binary(min_size=1, max_size=90), max_size=12)


def response(contents: list[bytes]) -> bytes:
    """As COMMANDS.md has it: blocks, commas, the empty block, a line feed."""
    blocks = [b"#2%02d" % len(content) + content for content in contents]
    return b",".join([*blocks, b"#10"]) + b"\n"


@given(CONTENTS, st.binary(max_size=20))
def test_whole_with_trailing_bytes(contents: list[bytes], trailing: bytes) -> None:
    stream = scpi.BlockStream()
    assert stream.feed(response(contents) + trailing) == contents
    assert stream.over
    assert stream.rest == trailing


@given(CONTENTS, st.data())
def test_in_any_pieces(contents: list[bytes], data: st.DataObject) -> None:
    stream, found, left = scpi.BlockStream(), [], response(contents)
    while left:
        size = data.draw(st.integers(1, len(left)))
        found += stream.feed(left[:size])
        left = left[size:]
        assert stream.over == (not left)
    assert found == contents


def test_byte_by_byte_hands_a_block_out_at_the_comma() -> None:
    stream = scpi.BlockStream()
    got = [stream.feed(bytes([byte])) for byte in response([b"12345", b"67890"])]
    assert [(at, blocks) for at, blocks in enumerate(got) if blocks] == [(9, [b"12345"]), (19, [b"67890"])]


@pytest.mark.parametrize("line_end", [b"\n", b"\r\n"])
def test_the_end(line_end: bytes) -> None:
    stream = scpi.BlockStream()
    assert stream.feed(b"#10") == []
    assert not stream.over
    assert stream.feed(line_end) == []
    assert stream.over


@pytest.mark.parametrize(
    "damaged",
    [
        b"A", b"\n", b",#10\n", b"##", b"#0\n", b"#A1", b"#2a5", b"#29x", b"#3091", b"#299", b"#10,", b"#10\r,",
        b"#9000000091", b"#15123456",
        b"#15123\x0045,#10\n",
    ],
)  # fmt: skip
def test_damage_is_seen(damaged: bytes) -> None:
    stream = scpi.BlockStream()
    with pytest.raises(scpi.DamagedStreamError):
        stream.feed(b"#15ABCDE," + damaged)


def test_what_came_before_the_damage_is_kept() -> None:
    with pytest.raises(scpi.DamagedStreamError) as caught:
        scpi.BlockStream().feed(b"#15ABCDE,#15FGHIJ,?")
    assert caught.value.good == [b"ABCDE", b"FGHIJ"]


@given(st.lists(st.integers(1, 18), min_size=1, max_size=12), st.data())
def test_an_extra_byte_never_passes_unseen(records: list[int], data: st.DataObject) -> None:
    """Wherever a byte creeps in: an error, a stream that never ends, or the bytes it displaced left over.

    A digit that creeps into a length can make a block take in just what follows it; then it is no whole number of
    records, which the reader of records refuses.
    """
    contents = [data.draw(st.binary(min_size=5 * count, max_size=5 * count)) for count in records]
    sent = response(contents)
    at = data.draw(st.integers(0, len(sent) - 1))
    byte = data.draw(st.binary(min_size=1, max_size=1))
    stream = scpi.BlockStream()
    try:
        found = stream.feed(sent[:at] + byte + sent[at:])
    except scpi.DamagedStreamError:
        return
    if stream.over and not stream.rest and found != contents:
        with pytest.raises(RecordError, match="no whole number of records"):
            list(map(decode, found))


@given(st.lists(st.binary(max_size=64), max_size=8))
def test_random_bytes_only_ever_raise_the_named_error(pieces: list[bytes]) -> None:
    stream = scpi.BlockStream()
    for piece in pieces:
        try:
            stream.feed(piece)
        except scpi.DamagedStreamError:
            return
        assert stream.over or len(stream.rest) <= 90 + 11 + 64


def test_a_message() -> None:
    assert scpi.message("*CLS", "PULS:COUN 3") == b"*CLS;PULS:COUN 3\n"
    assert len(scpi.message("A" * 128)) == 129


@pytest.mark.parametrize("commands", [(), ("",), ("A" * 129,), ("A", "B" * 127), ("PULS\n",), ("µ",)])
def test_not_a_message(commands: tuple[str, ...]) -> None:
    with pytest.raises(ValueError, match="message"):
        scpi.message(*commands)


@given(st.integers(0, 10**12))
def test_durations_are_exact(duration_ns: int) -> None:
    assert scpi.parse_number(scpi.seconds(duration_ns)) * 10**9 == duration_ns


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("5", "5"),
        ("-5", "-5"),
        ("+5.", "5"),
        (".5", "0.5"),
        ("5.00E-03", "0.005"),
        ("9.91E37", "9.91E37"),
        ("1e3", "1000"),
    ],
)
def test_numbers(text: str, value: str) -> None:
    """NR1, NR2, NR3 of IEEE 488.2 section 8.7, and SCPI-99's not-a-number."""
    assert scpi.parse_number(text) == Decimal(value)


@pytest.mark.parametrize("text", ["", ".", "E5", "5E", "0x5", "5 ", "NaN", "INF", "1_000", "٣", "5E1000", "--5"])
def test_not_numbers(text: str) -> None:
    with pytest.raises(scpi.ScpiError):
        scpi.parse_number(text)


def test_not_a_whole_number() -> None:
    assert scpi.parse_integer("1.5E1") == 15
    with pytest.raises(scpi.ScpiError):
        scpi.parse_integer("1.5")


@pytest.mark.parametrize(
    ("text", "code", "meaning"),
    [
        ('0,"No error"', 0, "No error"),
        ('-113,"Undefined header"', -113, "Undefined header"),
        ('+5,"a ""b"""', 5, 'a "b"'),
    ],
)
def test_error_entries(text: str, code: int, meaning: str) -> None:
    assert scpi.parse_error(text) == scpi.ErrorEntry(code, meaning)


@pytest.mark.parametrize(
    "text", ["", "0", "0,No error", '0,"No error', '"No error"', 'x,"y"', '0,"a"b"', '12345678,"x"']
)
def test_not_error_entries(text: str) -> None:
    with pytest.raises(scpi.ScpiError):
        scpi.parse_error(text)


def test_identification() -> None:
    found = scpi.parse_identification("edgereply,pulse source virtual, 7,1.0")
    assert found == scpi.Identification("edgereply", "pulse source virtual", "7", "1.0")
    for text in ("", "a,b,c", "a,b,c,d,e"):
        with pytest.raises(scpi.ScpiError):
            scpi.parse_identification(text)


@given(st.binary(max_size=80))
def test_lines_are_text_or_an_error(line: bytes) -> None:
    try:
        text = scpi.parse_line(line)
    except scpi.ScpiError:
        return
    assert text.isascii()
    assert text.isprintable()


@given(st.binary(max_size=200))
def test_quotes_are_printable_and_short(data: bytes) -> None:
    quote = scpi.printable(data)
    assert len(quote) <= 60
    assert quote.isascii()
    assert quote.isprintable()
