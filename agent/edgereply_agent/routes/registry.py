"""The routes there are, and whether this board has what they need."""

from __future__ import annotations

import os
from importlib import import_module
from importlib.util import find_spec
from typing import Callable

from edgereply_agent.errors import RouteError
from edgereply_protocol import Json

from .base import Route
from .chips import V2_HINT, Chips

GPIOD_HINT = "install it on the board: python3 -m pip install 'gpiod>=2.1', or use the route chardev"
SYSFS_HINT = "use the route chardev; the kernel needs CONFIG_GPIO_SYSFS for this one"
CHARDEV_HINT = "is a GPIO driver loaded? see `ls /sys/bus/gpio/devices` on the board; the kernel needs CONFIG_GPIO_CDEV"


def _chardev() -> str:
    return chardev_lacks(Chips())


def chardev_lacks(chips: Chips) -> str:
    """What keeps the character device from being used, in words; a chip that may not be opened tells nothing."""
    paths = chips.paths()
    for path in paths:
        try:
            fd = chips.open(path)
        except RouteError:
            continue
        try:
            if chips.info(fd, path).lines:
                chips.line(fd, 0, path)
        except RouteError as error:
            return f"{error.what}: {V2_HINT}" if error.code == "no-route" else ""
        finally:
            os.close(fd)
    return "" if paths else "there is no /dev/gpiochip*"


def _gpiod() -> str:
    return _chardev() if find_spec("gpiod") else "the Python package gpiod is not installed"


def _sysfs() -> str:
    return "" if os.path.exists("/sys/class/gpio/export") else "there is no /sys/class/gpio/export"


def _virtual() -> str:
    return ""


# name: module, class, what is missing (an empty string when nothing is), remedy
ROUTES: dict[str, tuple[str, str, Callable[[], str], str]] = {
    "chardev": ("chardev", "ChardevRoute", _chardev, CHARDEV_HINT),
    "gpiod": ("gpiod_route", "GpiodRoute", _gpiod, GPIOD_HINT),
    "sysfs": ("sysfs", "SysfsRoute", _sysfs, SYSFS_HINT),
    "virtual": ("virtual", "VirtualRoute", _virtual, ""),
}


def available() -> Json:
    """For each route whether it can be used here, why not, and what would help."""
    report: Json = {}
    for name, (_, _, missing, remedy) in ROUTES.items():
        why = missing()
        report[name] = {"available": not why, "why": why, "remedy": remedy if why else ""}
    return report


def load(name: str) -> Route:
    """Make a route.

    Raises:
        RouteError: unknown, or what it needs is not here.
    """
    if name not in ROUTES:
        raise RouteError("no-route", f"unknown route {name!r}", "route", f"choose one of {', '.join(ROUTES)}")
    module, cls, missing, remedy = ROUTES[name]
    why = missing()
    if why:
        raise RouteError("no-route", f"the route {name} cannot be used: {why}", name, remedy)
    try:
        route = getattr(import_module(f"{__package__}.{module}"), cls)()
    except ImportError as error:
        raise RouteError("no-route", f"the route {name} cannot be loaded: {error}", name, remedy) from error
    assert isinstance(route, Route)
    return route
