"""The character device's layout, against published values and against the system's own header by a C compiler."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path

import pytest

from edgereply_agent.routes import chardev_abi as abi
from tests.tools import need

# Source of the values: include/uapi/linux/gpio.h of the Linux kernel (package linux-libc-dev 6.1).
SIZES = {
    "gpiochip_info": (abi.CHIP_INFO, 68),
    "gpio_v2_line_values": (abi.LINE_VALUES, 16),
    "gpio_v2_line_attribute": (abi.LINE_ATTRIBUTE, 16),
    "gpio_v2_line_config_attribute": (abi.CONFIG_ATTRIBUTE, 24),
    "gpio_v2_line_config": (abi.LINE_CONFIG, 272),
    "gpio_v2_line_request": (abi.LINE_REQUEST, 592),
    "gpio_v2_line_info": (abi.LINE_INFO, 256),
    "gpio_v2_line_event": (abi.LINE_EVENT, 48),
}
NUMBERS = {
    "GPIO_GET_CHIPINFO_IOCTL": (abi.GET_CHIPINFO, 0x8044B401),
    "GPIO_V2_GET_LINEINFO_IOCTL": (abi.GET_LINEINFO, 0xC100B405),
    "GPIO_V2_GET_LINE_IOCTL": (abi.GET_LINE, 0xC250B407),
    "GPIO_V2_LINE_GET_VALUES_IOCTL": (abi.GET_VALUES, 0xC010B40E),
    "GPIO_V2_LINE_SET_VALUES_IOCTL": (abi.SET_VALUES, 0xC010B40F),
    "GPIO_V2_LINE_FLAG_USED": (abi.USED, 1 << 0),
    "GPIO_V2_LINE_FLAG_ACTIVE_LOW": (abi.ACTIVE_LOW, 1 << 1),
    "GPIO_V2_LINE_FLAG_INPUT": (abi.INPUT, 1 << 2),
    "GPIO_V2_LINE_FLAG_OUTPUT": (abi.OUTPUT, 1 << 3),
    "GPIO_V2_LINE_FLAG_EDGE_RISING": (abi.EDGE_RISING, 1 << 4),
    "GPIO_V2_LINE_FLAG_EDGE_FALLING": (abi.EDGE_FALLING, 1 << 5),
    "GPIO_V2_LINE_FLAG_BIAS_PULL_UP": (abi.PULL_UP, 1 << 8),
    "GPIO_V2_LINE_FLAG_BIAS_PULL_DOWN": (abi.PULL_DOWN, 1 << 9),
    "GPIO_V2_LINE_FLAG_BIAS_DISABLED": (abi.BIAS_DISABLED, 1 << 10),
    "GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES": (abi.ATTRIBUTE_OUTPUT_VALUES, 2),
}
# Members by structure and offset; the same header.
OFFSETS = {
    ("gpio_v2_line_request", "consumer"): 256,
    ("gpio_v2_line_request", "config"): 288,
    ("gpio_v2_line_request", "num_lines"): 560,
    ("gpio_v2_line_request", "event_buffer_size"): 564,
    ("gpio_v2_line_request", "fd"): 588,
    ("gpio_v2_line_config", "flags"): 0,
    ("gpio_v2_line_config", "num_attrs"): 8,
    ("gpio_v2_line_config", "attrs"): 32,
    ("gpio_v2_line_config_attribute", "mask"): 16,
    ("gpio_v2_line_info", "consumer"): 32,
    ("gpio_v2_line_info", "offset"): 64,
    ("gpio_v2_line_info", "num_attrs"): 68,
    ("gpio_v2_line_info", "flags"): 72,
    ("gpio_v2_line_event", "id"): 8,
    ("gpio_v2_line_event", "offset"): 12,
    ("gpio_v2_line_event", "seqno"): 16,
    ("gpio_v2_line_event", "line_seqno"): 20,
    ("gpiochip_info", "label"): 32,
    ("gpiochip_info", "lines"): 64,
}


@pytest.mark.parametrize("name", SIZES)
def test_sizes(name: str) -> None:
    layout, size = SIZES[name]
    assert layout.size == size


@pytest.mark.parametrize("name", NUMBERS)
def test_numbers(name: str) -> None:
    ours, published = NUMBERS[name]
    assert ours == published


def test_request_puts_each_value_at_its_offset() -> None:
    request = abi.encode_request([17, 4], "edgereply", abi.OUTPUT | abi.PULL_DOWN, 256, values=0b10)
    u32 = {offset: struct.unpack_from("=I", request, offset)[0] for offset in (0, 4, 8, 560, 564, 588, 296)}
    assert u32 == {0: 17, 4: 4, 8: 0, 560: 2, 564: 256, 588: 0, 296: 1}
    assert bytes(request[256:288]) == b"edgereply".ljust(32, b"\0")
    assert struct.unpack_from("=Q", request, 288) == (1 << 3 | 1 << 9,)
    assert struct.unpack_from("=IIQQ", request, 288 + 32) == (2, 0, 0b10, 0b11)
    assert not any(request[568:588]), "the kernel refuses padding that is not zero"
    assert not any(request[288 + 12 : 288 + 32])
    struct.pack_into("=i", request, 588, 42)
    assert abi.request_fd(request) == 42


def test_request_without_values_has_no_attribute() -> None:
    request = abi.encode_request([0], "x" * 40, abi.INPUT)
    assert struct.unpack_from("=I", request, 296) == (0,)
    assert bytes(request[256:288]) == b"x" * 31 + b"\0", "the name stays terminated"


def test_event_takes_stamp_id_and_numbers() -> None:
    event = struct.pack("=QIIII6I", 2**63 + 5, 2, 99, 7, 8, *range(6))
    assert abi.LINE_EVENT.unpack(event) == (2**63 + 5, 2, 7, 8)


def test_line_info_is_read_from_its_offsets() -> None:
    data = abi.encode_line_query(9)
    assert struct.unpack_from("=I", data, 64) == (9,)
    data[0:5], data[32:36] = b"GATE\0", b"hog\0"
    struct.pack_into("=Q", data, 72, abi.USED | abi.OUTPUT | abi.PULL_UP)
    info = abi.decode_line_info(bytes(data))
    assert (info.name, info.consumer, info.offset) == ("GATE", "hog", 9)
    assert (info.used, info.direction, info.bias) == (True, "output", "pull-up")


@pytest.mark.parametrize(("asked", "granted"), [(0, 16), (1, 1), (16, 16), (48, 64), (1000, 1024), (5000, 1024)])
def test_event_buffer_rule(asked: int, granted: int) -> None:
    """Source: drivers/gpio/gpiolib-cdev.c: 16 a line by default, 1024 at most, rounded up by kfifo_alloc."""
    assert abi.granted_event_buffer(asked) == granted


def test_the_systems_header_agrees(tmp_path: Path) -> None:
    """Compile a program that fails to compile where a value differs from ours."""
    checks = [f"sizeof(struct {name}) == {layout.size}" for name, (layout, _) in SIZES.items()]
    checks += [f"(unsigned long){name} == {ours}UL" for name, (ours, _) in NUMBERS.items()]
    checks += [f"offsetof(struct {struct_}, {member}) == {at}" for (struct_, member), at in OFFSETS.items()]
    checks += ["GPIO_V2_LINE_EVENT_RISING_EDGE == 1", "GPIO_V2_LINE_EVENT_FALLING_EDGE == 2"]
    lines = [f'_Static_assert({check}, "{check}");' for check in checks]
    assert len(lines) > 40
    gcc = str(need("gcc", "gcc", "libc6-dev", "linux-libc-dev"))
    source = tmp_path / "check.c"
    source.write_text("#include <stddef.h>\n#include <linux/gpio.h>\n" + "\n".join(lines) + "\n")
    done = subprocess.run([gcc, "-fsyntax-only", str(source)], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    source.write_text("#include <linux/gpio.h>\n" + '_Static_assert(sizeof(struct gpio_v2_line_event) == 47, "");\n')
    wrong = subprocess.run([gcc, "-fsyntax-only", str(source)], capture_output=True, text=True, timeout=60, check=False)
    assert wrong.returncode != 0, "the compiler must be able to object"


def test_line_information_has_the_debounce_and_the_edges_of_whoever_holds_the_line() -> None:
    """Laid out by hand: 10 attributes of 16 bytes from byte 80; id 3 is the debounce in us (linux/gpio.h)."""
    data = bytearray(256)
    data[:4], data[32:36] = b"EYE\0", b"gate"
    struct.pack_into("=IIQ", data, 64, 4, 2, 1 << 0 | 1 << 2 | 1 << 4)
    struct.pack_into("=IIQ", data, 80, 1, 0, 99)
    struct.pack_into("=III", data, 96, 3, 0, 5000)
    struct.pack_into("=IIQ", data, 112, 3, 0, 7)
    found = abi.decode_line_info(bytes(data))
    assert (found.name, found.consumer, found.offset, found.debounce_us, found.edges) == (
        "EYE", "gate", 4, 5000, "rising",
    )  # fmt: skip
    struct.pack_into("=I", data, 68, 0)
    assert abi.decode_line_info(bytes(data)).debounce_us == 0, "what lies beyond the count is no attribute"
