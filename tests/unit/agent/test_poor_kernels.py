"""Boards whose kernel lacks what a route needs, or whose chip is slow: each is told in words, with what to do."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from edgereply_agent.errors import AgentError, RouteError
from edgereply_agent.inspection import list_chips
from edgereply_agent.routes import chardev, registry
from edgereply_agent.routes.chardev import ChardevRoute
from edgereply_agent.routes.chips import Chips
from edgereply_agent.tasks import make
from tests.fakes.agent_process import open_fds
from tests.fakes.gpio_kernel import FakeChip, FakeGpioKernel, FakeLine

SETTINGS = {"route": "chardev", "lines": {"input": {"line": "IN"}, "output": {"line": "OUT"}}}


@pytest.fixture
def kernel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeGpioKernel]:
    """A fake kernel behind the route chardev."""
    made = FakeGpioKernel(tmp_path, [FakeChip("empty", []), FakeChip("bank", [FakeLine("IN"), FakeLine("OUT")])])
    chips = Chips(f"{tmp_path}/", made.ioctl)
    monkeypatch.setattr(chardev, "Chips", lambda: chips)
    plain = registry.load
    monkeypatch.setattr(registry, "load", lambda name: ChardevRoute(chips) if name == "chardev" else plain(name))
    yield made
    made.close()


def test_a_kernel_without_the_second_interface_is_refused_and_nothing_stays_open(kernel: FakeGpioKernel) -> None:
    kernel.old = True
    before = open_fds()
    with pytest.raises(AgentError, match="does not speak GPIO uAPI v2") as caught:
        make("respond", SETTINGS, ())
    assert caught.value.code == "no-route"
    assert "5.10 or later" in caught.value.remedy
    assert "use the route sysfs" in caught.value.remedy
    assert open_fds() == before


def test_the_report_on_routes_says_so_before(kernel: FakeGpioKernel) -> None:
    assert registry.available()["chardev"]["available"] is True
    kernel.old = True
    told = registry.available()["chardev"]
    assert told["available"] is False
    assert "does not speak GPIO uAPI v2: the kernel must be 5.10 or later" in told["why"]
    _, problems = list_chips(Chips(f"{kernel.root}/", kernel.ioctl))
    assert [(problem["code"], "5.10" in problem["remedy"]) for problem in problems] == [("no-route", True)]


def test_a_board_without_chips(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chardev, "Chips", lambda: Chips(f"{tmp_path}/"))
    with pytest.raises(RouteError, match="the route chardev cannot be used: there is no /dev/gpiochip") as caught:
        registry.load("chardev")
    assert caught.value.code == "no-route"
    assert "CONFIG_GPIO_CDEV" in caught.value.remedy


def test_a_chip_that_may_not_be_opened_is_left_to_those_who_use_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "dev").mkdir()
    (tmp_path / "dev/gpiochip0").mkdir()  # cannot be opened for writing by anybody
    monkeypatch.setattr(chardev, "Chips", lambda: Chips(f"{tmp_path}/"))
    assert ChardevRoute.lacks() == ""


def test_a_kernel_without_the_legacy_files(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os.path, "exists", lambda path: False)
    with pytest.raises(
        RouteError, match="the route sysfs cannot be used: there is no /sys/class/gpio/export"
    ) as caught:
        registry.load("sysfs")
    assert caught.value.code == "no-route"
    assert "use the route chardev" in caught.value.remedy
    assert "CONFIG_GPIO_SYSFS" in caught.value.remedy


@pytest.mark.parametrize("bus", ["i2c", "spi", "usb"])
def test_a_chip_that_sleeps_is_warned_of_for_each_line(kernel: FakeGpioKernel, bus: str) -> None:
    device = kernel.root / f"sys/devices/{bus}-1/device"
    (device / "gpiochip1").mkdir(parents=True)
    (kernel.root / f"sys/bus/{bus}").mkdir(parents=True)
    (device / "subsystem").symlink_to(kernel.root / f"sys/bus/{bus}")
    (kernel.root / "sys/bus/gpio/devices").mkdir(parents=True)
    (kernel.root / "sys/bus/gpio/devices/gpiochip1").symlink_to(device / "gpiochip1")
    task = make("respond", SETTINGS, ())
    try:
        slow = [warning for warning in task.warnings if f"sits behind {bus}" in warning]
        assert [warning.split(" ")[0] for warning in slow] == ["output", "input"]
        assert all("use a line of the processor itself" in warning for warning in slow)
    finally:
        task.close()
