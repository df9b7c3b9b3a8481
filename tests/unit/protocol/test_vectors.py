"""Frames as they were when their version was fixed. A change that breaks one is a new protocol version."""

from pathlib import Path

import pytest
from tests.unit.protocol.helpers import SAMPLES

from edgereply_protocol import (
    MESSAGES,
    NEWEST,
    OLDEST,
    Frame,
    FrameReader,
    decode_message,
    encode_frame,
    encode_message,
)

FOLDER = Path(__file__).parents[2] / "protocol_vectors"
VERSIONS = range(OLDEST, NEWEST + 1)


def vectors(version: int) -> dict[str, bytes]:
    lines = (FOLDER / f"v{version}.txt").read_text("ascii").splitlines()
    pairs = (line.split() for line in lines if line and not line.startswith("#"))
    return {name: bytes.fromhex(digits) for name, digits in pairs}


def test_there_is_a_frame_of_every_message_and_layout() -> None:
    frames = {name: frame for version in VERSIONS for name, frame in vectors(version).items()}
    assert list(frames) == list(SAMPLES)
    assert {frame[4] for frame in frames.values()} == set(MESSAGES)


def test_version_1_has_what_it_always_had() -> None:
    assert {frame[4] for frame in vectors(1).values()} == set(range(1, 18))


@pytest.mark.parametrize("version", VERSIONS)
def test_frames_mean_what_they_meant(version: int) -> None:
    reader = FrameReader()
    for sequence, (name, data) in enumerate(vectors(version).items()):
        reader.feed(data)
        frame = reader.next_frame()
        assert frame is not None, name
        assert frame.sequence == sequence
        assert decode_message(frame.type, frame.payload) == SAMPLES[name], name
        assert reader.pending == 0


@pytest.mark.parametrize("version", VERSIONS)
def test_messages_make_the_frames_they_made(version: int) -> None:
    for sequence, (name, data) in enumerate(vectors(version).items()):
        message = SAMPLES[name]
        assert encode_frame(Frame(message.TYPE, sequence, encode_message(message))) == data, name
