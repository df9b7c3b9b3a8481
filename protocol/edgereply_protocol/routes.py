"""The ways an agent can reach its lines: one table, from which the agent loads and the host checks what it is asked.

A new route is a module of `edgereply_agent.routes` and a row here.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class RouteRow:
    """One route.

    Attributes:
        module: in `edgereply_agent.routes`; imported when the route is chosen or asked about.
        class_name: of the `Route` in it.
        kernel_stamps: the kernel stamps the edges of any input, so that lines can be watched without answering.
        floor: the floor program answers by it.
        virtual: its lines are software wires, which end at a virtual pulse source.
    """

    module: str
    class_name: str
    kernel_stamps: bool = False
    floor: bool = False
    virtual: bool = False


ROUTES: dict[str, RouteRow] = {
    "chardev": RouteRow("chardev", "ChardevRoute", kernel_stamps=True, floor=True),
    "gpiod": RouteRow("gpiod_route", "GpiodRoute", kernel_stamps=True),
    "sysfs": RouteRow("sysfs", "SysfsRoute"),
    "virtual": RouteRow("virtual", "VirtualRoute", floor=True, virtual=True),
}
