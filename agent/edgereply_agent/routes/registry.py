"""The routes there are, and whether this board has what they need."""

from __future__ import annotations

from importlib import import_module

from edgereply_agent.errors import RouteError
from edgereply_protocol import ROUTES, Json

from .base import Route


def available() -> Json:
    """For each route whether it can be used here, why not, and what would help."""
    report: Json = {}
    for name in ROUTES:
        why, remedy = _lacks(name)
        report[name] = {"available": not why, "why": why, "remedy": remedy if why else ""}
    return report


def load(name: str) -> Route:
    """Make a route.

    Raises:
        RouteError: unknown, or what it needs is not here.
    """
    if name not in ROUTES:
        raise RouteError("no-route", f"unknown route {name!r}", "route", f"choose one of {', '.join(ROUTES)}")
    why, remedy = _lacks(name)
    if why:
        raise RouteError("no-route", f"the route {name} cannot be used: {why}", name, remedy)
    try:
        return _class(name)()
    except ImportError as error:
        raise RouteError("no-route", f"the route {name} cannot be loaded: {error}", name, remedy) from error


def _class(name: str) -> type[Route]:
    row = ROUTES[name]
    found: type[Route] = getattr(import_module(f"{__package__}.{row.module}"), row.class_name)
    return found


def _lacks(name: str) -> tuple[str, str]:
    """What the route needs and this board has not, and what helps; the first is "" where nothing is missing."""
    try:
        route = _class(name)
    except (ImportError, AttributeError) as error:
        return f"it cannot be loaded: {error}", ""
    return route.lacks(), route.remedy
