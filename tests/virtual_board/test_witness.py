"""The witness: its reader of the kernel's ring buffer, and what it sees of a pulse that is known."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.virtual_board import SELF_WIRES, VirtualBoard
from tests.virtual_board.witness import PAGE, Layout, parse_pages, watching_outputs

REJECT_OUT, STIM_OUT = 5, 6
PLAIN = Layout(gpio=8, value=16)
FORMAT = """\
	field:unsigned char common_preempt_count;	offset:3;	size:1;	signed:0;
	field:unsigned gpio;	offset:12;	size:4;	signed:0;
	field:int get;	offset:16;	size:4;	signed:1;
	field:int value;	offset:20;	size:4;	signed:1;
"""


def test_the_layout_is_read_from_the_kernel() -> None:
    assert Layout.parse(FORMAT) == Layout(gpio=12, value=20)
    for text in ("", FORMAT.replace("gpio", "pin"), FORMAT.replace("size:4", "size:8")):
        with pytest.raises(ValueError, match="gpio_value"):
            Layout.parse(text)


def event(delta: int, gpio: int, value: int, *, long: bool = False) -> bytes:
    body = struct.pack("<HBBiIii", 300, 0, 0, 1, gpio, 0, value)
    if long:
        return struct.pack("<II", delta << 5, len(body) + 4) + body
    return struct.pack("<I", delta << 5 | len(body) // 4) + body


def page(time_ns: int, content: bytes, flags: int = 0) -> bytes:
    return (struct.pack("<QQ", time_ns, len(content) | flags) + content).ljust(PAGE, b"\0")


def test_a_page_made_by_hand() -> None:
    content = event(5, 517, 1) + struct.pack("<II", 3 << 5 | 30, 2) + event(7, 517, 0, long=True)
    content += struct.pack("<II", 9 << 5 | 31, 100) + event(0, 518, 1) + struct.pack("<II", 29, 0) + b"\xff" * 40
    time_ns, gpio, value = parse_pages(page(1000, content, flags=1 << 31) + page(10**12, event(1, 5, 1)), PLAIN)
    assert time_ns.tolist() == [1005, 1005 + 2 * 2**27 + 3 + 7, 100 * 2**27 + 9, 10**12 + 1]
    assert gpio.tolist() == [517, 517, 518, 5]
    assert value.tolist() == [1, 0, 1, 1]


def test_no_pages_no_entries() -> None:
    assert [column.shape for column in parse_pages(b"", PLAIN)] == [(0,)] * 3


@pytest.mark.parametrize(
    "raw",
    [
        page(0, event(1, 2, 1))[:-1],
        page(0, event(1, 2, 1)[:-4]),
        page(0, b"\0" * 5000)[:PAGE],
        page(0, b"\1\0\0\0" * 4),
    ],
)
def test_broken_pages_are_refused(raw: bytes) -> None:
    with pytest.raises(ValueError, match="page"):
        parse_pages(raw, PLAIN)


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(content: bytes) -> None:
    try:
        columns = parse_pages(page(0, content), PLAIN)
    except ValueError:
        return
    assert len({column.shape for column in columns}) == 1


@pytest.mark.virtual_board
@pytest.mark.parametrize("kernel", ["plain", "rt"])
def test_every_output_change_is_witnessed(kernel: str, request: pytest.FixtureRequest) -> None:
    board: VirtualBoard = request.getfixturevalue(f"{kernel}_board")
    board.wire(*SELF_WIRES)
    with watching_outputs(board) as trace:
        board.run("python3 /opt/edgereply/gpio_check.py edges STIM_OUT EYE_IN 400", 60)
    rises, falls = trace.changes(STIM_OUT)
    assert (rises.size, falls.size) == (200, 200)
    assert (rises < falls).all()
    assert (falls[:-1] < rises[1:]).all()
    assert trace.changes(REJECT_OUT)[0].size == 0
