"""Finding chips and lines, and every refusal told with a remedy."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from edgereply_agent.errors import RouteError
from edgereply_agent.inspection import inspect_board
from edgereply_agent.routes import chardev_abi as abi
from edgereply_agent.routes.chardev import ChardevRoute
from edgereply_agent.routes.chips import Chips, open_error
from edgereply_agent.settings import LineSpec
from tests.fakes.agent_process import open_fds
from tests.fakes.gpio_kernel import FakeChip, FakeGpioKernel, FakeLine


def spec(chip: str, line: str | int, **changes: Any) -> LineSpec:
    """A line."""
    return LineSpec(**{"role": "input", "chip": chip, "line": line, "active_low": False, "bias": "as-is", **changes})


@pytest.fixture
def kernel(tmp_path: Path) -> Iterator[FakeGpioKernel]:
    """Two chips; the name TWICE is on both."""
    made = FakeGpioKernel(
        tmp_path,
        [
            FakeChip("bank-a", [FakeLine("A0"), FakeLine("TWICE"), FakeLine("DEAF", irq=False)]),
            FakeChip("bank-b", [FakeLine("B0"), FakeLine("TWICE"), FakeLine("HOG", "reset", abi.USED | abi.OUTPUT)]),
        ],
    )
    yield made
    made.close()


@pytest.fixture
def chips(kernel: FakeGpioKernel) -> Chips:
    """Chips on the fake kernel."""
    return Chips(f"{kernel.root}/", kernel.ioctl)


@pytest.mark.parametrize(
    ("chip", "line", "number", "offset"),
    [
        ("", "B0", 1, 0),
        ("gpiochip0", 2, 0, 2),
        ("bank-b", "TWICE", 1, 1),
        ("bank-a", 0, 0, 0),
        ("PATH/dev/gpiochip1", "B0", 1, 0),
    ],
)
def test_finds(chips: Chips, chip: str, line: str | int, number: int, offset: int) -> None:
    path, info, found = chips.find(spec(chip.replace("PATH", chips.root.rstrip("/")), line))
    assert Path(path).name == info.name == f"gpiochip{number}"
    assert found.offset == offset


@pytest.mark.parametrize(
    ("chip", "line", "code", "words"),
    [
        ("", "TWICE", "bad-setting", "gpiochip0 offset 1, gpiochip1 offset 1"),
        ("", 0, "bad-setting", "several times"),
        ("", "NO", "unknown-line", "gpiochip1 (bank-b, 3 lines)"),
        ("", "17", "unknown-line", "an offset is written without quotes"),
        ("bank-a", 3, "unknown-line", "no line 3"),
        ("bank-c", 0, "no-chip", "'bank-c'"),
        ("gpiochip7", 0, "no-chip", "gpiochip7"),
    ],
)
def test_refuses(chips: Chips, chip: str, line: str | int, code: str, words: str) -> None:
    with pytest.raises(RouteError) as caught:
        chips.find(spec(chip, line))
    assert caught.value.code == code
    assert words in f"{caught.value.what} {caught.value.remedy}"
    assert caught.value.remedy


def test_a_link_to_a_chip_is_no_second_chip(chips: Chips, kernel: FakeGpioKernel) -> None:
    (kernel.root / "dev/gpiochip4").symlink_to(kernel.root / "dev/gpiochip0")
    assert [Path(path).name for path in chips.paths()] == ["gpiochip0", "gpiochip1"]


def test_no_chip_at_all(tmp_path: Path) -> None:
    with pytest.raises(RouteError) as caught:
        Chips(f"{tmp_path}/").find(spec("", "A0"))
    assert caught.value.code == "no-chip"


def test_permission_names_the_group(tmp_path: Path) -> None:
    device = tmp_path / "gpiochip0"
    device.touch()
    device.chmod(0o660)
    os.chown(device, -1, 1)
    error = open_error(OSError(errno.EACCES, "Permission denied"), str(device))
    assert error.code == "no-permission"
    assert "usermod -aG daemon USER" in error.remedy
    device.chmod(0o600)
    assert "udev" in open_error(OSError(errno.EACCES, "Permission denied"), str(device)).remedy


def test_kernel_without_v2(chips: Chips, kernel: FakeGpioKernel) -> None:
    kernel.old = True
    with pytest.raises(RouteError) as caught:
        chips.find(spec("", "A0"))
    assert caught.value.code == "no-route"
    assert "5.10" in caught.value.remedy


def test_a_file_that_is_no_chip(chips: Chips, tmp_path: Path) -> None:
    (tmp_path / "other").touch()
    with pytest.raises(RouteError) as caught:
        chips.find(spec(str(tmp_path / "other"), 0))
    assert caught.value.code == "no-chip"


def test_slow_bus_is_warned_of(chips: Chips, kernel: FakeGpioKernel) -> None:
    assert chips.slow_warning("gpiochip1", spec("", "B0")) == []
    device = kernel.root / "sys/devices/i2c-1/1-0020"
    (device / "gpiochip1").mkdir(parents=True)
    (kernel.root / "sys/bus/i2c").mkdir(parents=True)
    (device / "subsystem").symlink_to(kernel.root / "sys/bus/i2c")
    (kernel.root / "sys/bus/gpio/devices").mkdir(parents=True)
    (kernel.root / "sys/bus/gpio/devices/gpiochip1").symlink_to(device / "gpiochip1")
    (warning,) = chips.slow_warning("gpiochip1", spec("", "B0"))
    assert "i2c" in warning
    assert list(ChardevRoute(chips).output(spec("", "B0")).warnings) == [warning]


def test_held_line_names_its_consumer(chips: Chips) -> None:
    with pytest.raises(RouteError) as caught:
        ChardevRoute(chips).output(spec("", "HOG"))
    assert caught.value.code == "busy-line"
    assert "'reset'" in caught.value.what


def test_line_without_interrupts(chips: Chips) -> None:
    with pytest.raises(RouteError) as caught:
        ChardevRoute(chips).input(spec("", "DEAF"), "rising", 16)
    assert caught.value.code == "bad-setting"
    assert "edge events" in caught.value.what
    ChardevRoute(chips).input(spec("", "DEAF"), "none", 16).close()


def test_request_carries_polarity_bias_and_consumer(chips: Chips, kernel: FakeGpioKernel) -> None:
    line = ChardevRoute(chips).input(spec("", "A0", active_low=True, bias="pull-up"), "rising", 100)
    held = kernel.line("A0")
    assert held.consumer == "edgereply"
    assert held.flags == abi.USED | abi.INPUT | abi.EDGE_RISING | abi.ACTIVE_LOW | abi.PULL_UP
    assert line.in_effect["event_buffer"] == 128
    assert (line.in_effect["active_low"], line.in_effect["bias"]) == (True, "pull-up")
    line.close()


@pytest.mark.parametrize(
    ("number", "code"),
    [
        (errno.EPERM, "no-permission"),
        (errno.ENOTTY, "no-route"),
        (errno.ENOMEM, "no-memory"),
        (errno.ENODEV, "lost-line"),
        (524, "bad-setting"),
        (errno.E2BIG, "bad-setting"),
    ],
)
def test_other_refusals_of_the_kernel(chips: Chips, kernel: FakeGpioKernel, number: int, code: str) -> None:
    def refuse(fd: int, request: int, arg: bytearray) -> int:
        if request == abi.GET_LINE:
            raise OSError(number, os.strerror(number))
        return kernel.ioctl(fd, request, arg)

    chips.ioctl = refuse
    with pytest.raises(RouteError) as caught:
        ChardevRoute(chips).output(spec("", "A0", bias="pull-up"))
    assert caught.value.code == code


def test_no_descriptor_is_left_open(chips: Chips) -> None:
    before = open_fds()
    route = ChardevRoute(chips)
    for name in ("NO", "HOG", "DEAF", "TWICE"):
        with pytest.raises(RouteError):
            route.input(spec("", name), "rising", 16)
    assert open_fds() == before


def test_inspection_lists_chips_and_lines(chips: Chips, kernel: FakeGpioKernel) -> None:
    report = inspect_board(chips, f"{kernel.root}/")
    assert [(chip["name"], chip["label"], chip["lines"]) for chip in report["chips"]] == [
        ("gpiochip0", "bank-a", 3),
        ("gpiochip1", "bank-b", 3),
    ]
    hog = report["chips"][1]["line_list"][2]
    assert hog == {
        "offset": 2, "name": "HOG", "user": "reset", "used": True, "direction": "output", "bias": "as-is"
    }  # fmt: skip
    assert report["problems"] == []
    held = kernel.chips[1].lines[2]
    held.debounce_us, held.flags = 5000, abi.USED | abi.INPUT | abi.EDGE_FALLING
    hog = inspect_board(chips, f"{kernel.root}/")["chips"][1]["line_list"][2]
    assert (hog["debounce_us"], hog["edges"]) == (5000, "falling")
    kernel.old = True
    assert [problem["code"] for problem in inspect_board(chips)["problems"]] == ["no-route", "no-route"]
