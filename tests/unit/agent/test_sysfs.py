"""Legacy GPIO files: numbers, exporting, polarity, refusals."""

from __future__ import annotations

import errno
import os
import pwd
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from edgereply_agent.errors import RouteError
from edgereply_agent.routes import sysfs, sysfs_export
from edgereply_agent.routes.chips import Chips
from edgereply_agent.routes.sysfs import SysfsRoute
from edgereply_agent.settings import LineSpec
from tests.fakes.gpio_kernel import FakeChip, FakeGpioKernel, FakeLine
from tests.fakes.sysfs_gpio import FakeSysfs


def spec(chip: str, line: str | int, **changes: Any) -> LineSpec:
    """A line."""
    return LineSpec(**{"role": "output", "chip": chip, "line": line, "active_low": False, "bias": "as-is", **changes})


@pytest.fixture
def tree(tmp_path: Path) -> Iterator[FakeSysfs]:
    """Three chips; two share a label."""
    made = FakeSysfs(tmp_path, {"bank-a": (512, 4), "bank-b": (516, 4), "bank-c": (520, 4)})
    (made.gpio / "gpiochip520/label").write_text("bank-a\n")
    yield made
    made.close()


def route(tree: FakeSysfs, tmp_path: Path, chips: Chips | None = None) -> SysfsRoute:
    return SysfsRoute(f"{tmp_path}/", chips, tree.pread, tree.pwrite)


@pytest.mark.parametrize(("chip", "number"), [("bank-b", 518), ("gpiochip520", 522)])
def test_number_is_base_plus_offset(tree: FakeSysfs, tmp_path: Path, chip: str, number: int) -> None:
    output = route(tree, tmp_path).output(spec(chip, 2))
    assert output.in_effect["number"] == number
    assert (tree.gpio / f"gpio{number}").is_dir()
    output.close()
    assert not (tree.gpio / f"gpio{number}").exists()


@pytest.mark.parametrize(("active_low", "word"), [(False, "low"), (True, "high")])
def test_output_starts_logically_low(tree: FakeSysfs, tmp_path: Path, active_low: bool, word: str) -> None:
    """`direction` takes the physical level (from memory: gpiolib-sysfs.c writes it raw), `value` the logical one."""
    output = route(tree, tmp_path).output(spec("bank-b", 0, active_low=active_low))
    assert tree.directions == [word]
    assert (tree.gpio / "gpio516/active_low").read_text() == str(int(active_low))
    output.close()


@pytest.mark.parametrize(
    ("chip", "line", "code"),
    [
        ("bank-a", 0, "no-chip"),
        ("bank-b", 4, "unknown-line"),
        ("nothing", 0, "no-chip"),
        ("bank-b", "GATE", "unknown-line"),
        ("", 0, "bad-setting"),
    ],
)
def test_refuses(tree: FakeSysfs, tmp_path: Path, chip: str, line: str | int, code: str) -> None:
    with pytest.raises(RouteError) as caught:
        route(tree, tmp_path).output(spec(chip, line))
    assert caught.value.code == code
    assert caught.value.remedy


def test_bias_is_refused(tree: FakeSysfs, tmp_path: Path) -> None:
    with pytest.raises(RouteError, match="bias pull-up"):
        route(tree, tmp_path).input(spec("bank-b", 0, bias="pull-up"), "rising", 1)


def test_left_over_export_is_told_with_the_command(tree: FakeSysfs, tmp_path: Path) -> None:
    (tree.gpio / "gpio517").mkdir()
    with pytest.raises(RouteError) as caught:
        route(tree, tmp_path).output(spec("bank-b", 1))
    assert caught.value.code == "busy-line"
    assert "echo 517 >" in caught.value.remedy


def test_failure_after_the_export_gives_the_line_back(
    tree: FakeSysfs, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = sysfs_export.write_file

    def refuse(path: str, word: str, line: LineSpec) -> None:
        if path.endswith("/direction"):
            raise sysfs_export.file_error(OSError(errno.EPERM, "no"), path, line)
        write(path, word, line)

    monkeypatch.setattr(sysfs, "write_file", refuse)
    with pytest.raises(RouteError) as caught:
        route(tree, tmp_path).output(spec("bank-b", 1))
    assert caught.value.code == "no-permission"
    assert not (tree.gpio / "gpio517").exists()


def test_a_chip_of_dev_is_recognised_by_its_device(tree: FakeSysfs, tmp_path: Path) -> None:
    """One device with two chips: base numbers go with chip numbers in order."""
    kernel = FakeGpioKernel(tmp_path, [FakeChip("bank-a"), FakeChip("bank-a", [FakeLine("GATE"), FakeLine("IN")])])
    device = tmp_path / "sys/devices/platform/bank"
    bus = tmp_path / "sys/bus/gpio/devices"
    bus.mkdir(parents=True)
    for chip, base in (("gpiochip0", 512), ("gpiochip1", 520)):
        (device / chip).mkdir(parents=True)
        (bus / chip).symlink_to(device / chip)
        (tree.gpio / f"gpiochip{base}/device").symlink_to(device)
    output = route(tree, tmp_path, Chips(f"{tmp_path}/", kernel.ioctl)).output(spec("", "IN"))
    assert output.in_effect == {"chip": "gpiochip1", "line": 1, "number": 521}
    output.close()
    kernel.close()


def test_files_per_chip_serve_outputs_only(tree: FakeSysfs, tmp_path: Path) -> None:
    per_chip = tree.gpio / "chip7"
    (per_chip / "gpio3").mkdir(parents=True)
    with pytest.raises(RouteError) as caught:
        route(tree, tmp_path).input(spec("gpiochip7", 3), "rising", 1)
    assert caught.value.code == "no-route"
    with pytest.raises(RouteError) as caught:
        route(tree, tmp_path).output(spec("gpiochip7", 3))
    assert caught.value.code == "busy-line", "found in the chip's own directory"
    assert "echo 3 >" in caught.value.remedy


@pytest.mark.parametrize(
    ("number", "name", "code"),
    [
        (errno.EACCES, "value", "no-permission"),
        (errno.EBUSY, "export", "busy-line"),
        (errno.EINVAL, "export", "unknown-line"),
        (errno.ENOENT, "edge", "bad-setting"),
        (errno.ENOENT, "export", "no-route"),
        (errno.ENODEV, "value", "lost-line"),
        (errno.EINVAL, "edge", "bad-setting"),
    ],
)
def test_file_errors(number: int, name: str, code: str) -> None:
    assert sysfs_export.file_error(OSError(number, "x"), f"/sys/class/gpio/{name}", spec("", 0)).code == code


@pytest.fixture
def slow_udev(tree: FakeSysfs, monkeypatch: pytest.MonkeyPatch) -> dict[str, float]:
    """Files of an exported line that become ours only some time after the export: seconds by name."""
    late: dict[str, float] = {}
    began: dict[str, float] = {}

    def access(path: str, _mode: int) -> bool:
        began.setdefault(path, time.monotonic())
        return time.monotonic() - began[path] >= late.get(Path(path).name, 0.0)

    monkeypatch.setattr(os, "access", access)
    return late


@pytest.mark.parametrize("name", ["direction", "edge", "value", "active_low"])
def test_each_file_is_waited_for(tree: FakeSysfs, tmp_path: Path, slow_udev: dict[str, float], name: str) -> None:
    slow_udev[name] = 0.2
    began = time.monotonic()
    line = route(tree, tmp_path).output(spec("bank-b", 2))
    assert time.monotonic() - began >= 0.2
    line.close()


@pytest.mark.parametrize("name", ["direction", "edge", "value", "active_low"])
def test_a_file_that_never_becomes_ours_is_named_with_its_owner(
    tree: FakeSysfs, tmp_path: Path, slow_udev: dict[str, float], name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow_udev[name] = float("inf")
    monkeypatch.setattr(sysfs_export, "APPEAR_S", 0.05)
    with pytest.raises(RouteError, match=f"gpio518/{name} was not ours") as caught:
        route(tree, tmp_path).output(spec("bank-b", 2))
    assert caught.value.code == "no-permission"
    assert f"belongs to user {pwd.getpwuid(os.geteuid()).pw_name} and group" in caught.value.what
    assert "-rw-r--r--" in caught.value.what
    assert "udev rule" in caught.value.remedy
    assert not (tree.gpio / "gpio518").exists(), "the line is given back"
