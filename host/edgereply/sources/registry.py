"""Builds a pulse source by the name of its kind; its module is imported only when it is chosen."""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from importlib import import_module
from typing import Any

from edgereply.config.choices import SOURCES
from edgereply.errors import SettingError, SourceError
from edgereply.sources.base import PulseSource


def source_class(name: str) -> type[Any]:
    """Import one pulse source.

    Args:
        name: from the table.

    Returns:
        Its class; what it is built from differs, so the caller knows which it asked for.

    Raises:
        SettingError: no such source.
        SourceError: it needs something that is not installed.
    """
    try:
        kind = SOURCES[name]
    except KeyError:
        raise SettingError(f"there is no pulse source {name!r}", "source", f"use one of {', '.join(SOURCES)}") from None
    try:
        found: type[Any] = getattr(import_module(kind.module), kind.class_name)
    except ImportError as error:
        raise SourceError(f"the source {name!r} needs {error.name}", "source", f"install it: {kind.needs}") from error
    return found


def create_source(name: str, options: Mapping[str, Any], offered: Mapping[str, Any] | None = None) -> PulseSource:
    """Build one pulse source.

    Args:
        name: from the table.
        options: what the user gave for its constructor, by name; each one has to be a parameter of it.
        offered: what the bench knows besides (`port`, `baud`, levels); of it the constructor gets what it has a
            parameter for.

    Returns:
        The source, open and identified.

    Raises:
        SettingError: no such source, or an option that it does not have or lacks.
        SourceError: it cannot be opened, or something else answers.
    """
    found = source_class(name)
    signature = inspect.signature(found)
    given = {key: value for key, value in (offered or {}).items() if key in signature.parameters} | dict(options)
    try:
        signature.bind(**given)
    except TypeError as error:
        known = ", ".join(signature.parameters)
        raise SettingError(f"{error}", f"source {name!r}", f"its options are: {known}") from error
    source: PulseSource = found(**given)
    return source
