import binascii
import struct
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.unit.protocol.helpers import SAMPLES, frame_of

from edgereply_protocol import (
    MARKER,
    MAX_PAYLOAD,
    OVERHEAD,
    Frame,
    FrameReader,
    LocalError,
    RemoteError,
    encode_frame,
)
from edgereply_protocol.framing import MAX_PREAMBLE

FRAMES = [Frame(1, 0, b"{}"), Frame(8, 1, bytes(range(256)) * 3), Frame(255, 2, b""), Frame(0, 3, MARKER * 5)]
STREAM = b"".join(map(encode_frame, FRAMES))


def crc16_by_bits(data: bytes, polynomial: int = 0x1021, register: int = 0xFFFF) -> int:
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = ((register << 1) ^ (polynomial if register & 0x8000 else 0)) & 0xFFFF
    return register


def take_all(reader: FrameReader) -> list[Frame]:
    frames = []
    while (frame := reader.next_frame()) is not None:
        frames.append(frame)
    return frames


def read(*chunks: bytes) -> list[Frame]:
    reader = FrameReader()
    frames = []
    for chunk in chunks:
        reader.feed(chunk)
        frames += take_all(reader)
    return frames


def test_crc_check_values() -> None:
    # Catalogue of parametrised CRC algorithms (G. Cook), "check" of CRC-32/ISO-HDLC and of CRC-16/IBM-3740, which is
    # also named CRC-16/CCITT-FALSE; from memory.
    assert binascii.crc32(b"123456789") == 0xCBF43926
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1
    assert crc16_by_bits(b"123456789") == 0x29B1


def test_the_bytes_of_a_frame_are_as_documented() -> None:
    body = struct.pack("<BB", 13, 1)
    rest = struct.pack("<II", 258, 11)
    head = body + struct.pack("<H", crc16_by_bits(body + rest)) + rest
    payload = b'{"token":7}'
    assert encode_frame(Frame(13, 258, payload)) == (
        b"\xf5ER\x1a" + head + payload + struct.pack("<I", binascii.crc32(head + payload))
    )


def test_whole() -> None:
    assert read(STREAM) == FRAMES


def test_byte_by_byte() -> None:
    assert read(*(bytes([byte]) for byte in STREAM)) == FRAMES


def test_trailing_bytes_wait_for_the_rest() -> None:
    extra = encode_frame(Frame(9, 4, b"[]"))
    for cut in range(1, len(extra)):
        reader = FrameReader()
        reader.feed(STREAM + extra[:cut])
        assert take_all(reader) == FRAMES
        assert reader.pending == cut
        reader.feed(extra[cut:])
        assert take_all(reader) == [Frame(9, 4, b"[]")]
        assert reader.pending == 0


@given(st.lists(st.integers(0, len(STREAM)), max_size=20))
def test_any_cutting(cuts: list[int]) -> None:
    edges = [0, *sorted(cuts), len(STREAM)]
    assert read(*(STREAM[start:end] for start, end in pairwise(edges))) == FRAMES


@pytest.mark.parametrize("change", [1 << bit for bit in range(8)] + [0xFF])
@pytest.mark.parametrize("name", sorted(SAMPLES))
@pytest.mark.parametrize("synced", [False, True])
def test_no_flipped_byte_passes(name: str, change: int, synced: bool) -> None:
    first = frame_of(SAMPLES["hello-agent"]) if synced else b""
    victim = frame_of(SAMPLES[name], int(synced))
    following = frame_of(SAMPLES["ping"], 1 + synced)
    for at in range(len(victim)):
        damaged = bytearray(victim)
        damaged[at] ^= change
        reader = FrameReader()
        reader.feed(first)
        assert len(take_all(reader)) == synced
        reader.feed(bytes(damaged) + following)
        if synced:
            with pytest.raises(RemoteError, match="in frame 1"):
                reader.next_frame()
        else:
            assert reader.next_frame() is None
            assert not reader.synced


@given(st.lists(st.binary(max_size=200) | st.sampled_from([MARKER, MARKER[:2], *map(encode_frame, FRAMES)])))
@settings(max_examples=300)
def test_random_bytes_raise_nothing_but_remote_error(chunks: list[bytes]) -> None:
    reader = FrameReader()
    got: list[Frame] = []
    for chunk in chunks:
        reader.feed(chunk)
        try:
            got += take_all(reader)
        except RemoteError:
            assert reader.pending == 0
            break
        assert reader.pending < OVERHEAD + MAX_PAYLOAD
        assert len(reader.skipped) <= 4096
    assert got == FRAMES[: len(got)]


def test_memory_is_bounded_by_one_frame() -> None:
    largest = encode_frame(Frame(8, 0, bytes(MAX_PAYLOAD)))
    reader = FrameReader()
    for at in range(0, len(largest) - 1, 4099):
        reader.feed(largest[at : at + 4099][: len(largest) - 1 - at])
        assert reader.next_frame() is None
    assert reader.pending == OVERHEAD + MAX_PAYLOAD - 1
    reader.feed(largest[-1:])
    assert reader.next_frame() == Frame(8, 0, bytes(MAX_PAYLOAD))
    assert reader.pending == 0


@pytest.mark.parametrize(
    "banner",
    [
        b"Welcome to the line\r\n$ ",
        MARKER,
        MARKER * 3 + b"E",
        b"\xf5",
        b"\xf5ER",
        MARKER + bytes(12),
        encode_frame(Frame(1, 5, b"a frame of an older conversation")),
        encode_frame(Frame(1, 0, b"damaged"))[:-1] + b"?",
        bytes(range(256)) * 800,
        b"x" * MAX_PREAMBLE,
    ],
    ids=lambda banner: f"{len(banner)}-{banner[:4].hex()}",
)
def test_what_a_login_shell_prints_is_skipped(banner: bytes) -> None:
    for step in (len(banner) + len(STREAM), 7):
        data = banner + STREAM
        reader = FrameReader()
        frames = []
        for at in range(0, len(data), step):
            reader.feed(data[at : at + step])
            frames += take_all(reader)
        assert frames == FRAMES
        assert reader.skipped == banner[-4096:]


def test_a_banner_without_end_is_refused() -> None:
    for step in (MAX_PREAMBLE + 1 + len(STREAM), 1000):
        data = b"x" * (MAX_PREAMBLE + 1) + STREAM
        reader = FrameReader()
        with pytest.raises(RemoteError, match="not the agent"):  # noqa: PT012 - which chunk does it differs
            for at in range(0, len(data), step):
                reader.feed(data[at : at + step])
                take_all(reader)
        with pytest.raises(RemoteError, match="not the agent"):
            reader.next_frame()


def test_silence_until_a_frame_came_is_no_error() -> None:
    reader = FrameReader()
    reader.feed(b"sh: 1: python3: not found\n")
    assert reader.next_frame() is None
    assert not reader.synced
    assert reader.unread() == b"sh: 1: python3: not found\n"


@pytest.mark.parametrize("stray", [b"h", b"oops\n", b"\xf5EX", b"x" * 100])
def test_a_stray_print_between_frames_is_refused_at_once(stray: bytes) -> None:
    reader = FrameReader()
    reader.feed(STREAM)
    assert take_all(reader) == FRAMES
    reader.feed(stray)
    with pytest.raises(RemoteError, match="no frame marker in frame 4"):
        reader.next_frame()


def test_a_broken_reader_stays_broken_and_holds_nothing() -> None:
    reader = FrameReader()
    reader.feed(STREAM + b"junk")
    with pytest.raises(RemoteError):
        take_all(reader)
    reader.feed(encode_frame(Frame(1, 4, b"")))
    assert reader.pending == 0
    with pytest.raises(RemoteError, match="no frame marker in frame 4"):
        reader.next_frame()


@pytest.mark.parametrize("sequence", [0, 2, 2**32 - 1])
def test_sequence_gaps_and_repeats_are_refused(sequence: int) -> None:
    reader = FrameReader()
    reader.feed(encode_frame(Frame(1, 0, b"")) + encode_frame(Frame(1, sequence, b"")))
    assert reader.next_frame() is not None
    with pytest.raises(RemoteError, match=f"sequence number {sequence} in frame 1"):
        reader.next_frame()


def test_sequence_numbers_wrap() -> None:
    reader = FrameReader()
    reader.feed(encode_frame(Frame(1, 0, b"")))
    assert reader.next_frame() is not None
    reader._expected = 2**32 - 1
    reader.feed(encode_frame(Frame(1, 2**32 - 1, b"")) + encode_frame(Frame(2, 0, b"")))
    assert take_all(reader) == [Frame(1, 2**32 - 1, b""), Frame(2, 0, b"")]


def header(layout: int, size: int) -> bytes:
    fields = struct.pack("<BB", 1, layout), struct.pack("<II", 1, size)
    return MARKER + fields[0] + struct.pack("<H", crc16_by_bits(b"".join(fields))) + fields[1]


@pytest.mark.parametrize(
    ("head", "text"),
    [
        (header(1, MAX_PAYLOAD + 1), "over the limit"),
        (header(1, 2**32 - 1), "over the limit"),
        (header(2, 0), "unknown frame layout 2"),
    ],
)
def test_a_bad_header_is_refused_before_its_payload_comes(head: bytes, text: str) -> None:
    reader = FrameReader()
    reader.feed(encode_frame(Frame(1, 0, b"")))
    assert reader.next_frame() is not None
    reader.feed(head)
    with pytest.raises(RemoteError, match=text):
        reader.next_frame()


@pytest.mark.parametrize(
    "frame",
    [Frame(1, 0, bytes(MAX_PAYLOAD + 1)), Frame(256, 0, b""), Frame(-1, 0, b""), Frame(1, 2**32, b"")],
    ids=["payload", "type", "negative", "sequence"],
)
def test_what_fits_no_frame_is_our_fault(frame: Frame) -> None:
    with pytest.raises(LocalError):
        encode_frame(frame)
