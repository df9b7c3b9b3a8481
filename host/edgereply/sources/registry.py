"""The table of pulse sources, each imported only when it is chosen."""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from importlib import import_module
from typing import Any

from edgereply.errors import SettingError, SourceError
from edgereply.sources.base import PulseSource

# name -> module, class, what to do when the module cannot be imported
SOURCES: dict[str, tuple[str, str, str]] = {
    "reference": ("edgereply.sources.reference", "ReferenceSource", "pip install pyserial"),
    "generator": ("edgereply.sources.generator", "GeneratorSource", "pip install pyserial"),
    "lines": ("edgereply.sources.lines", "LinesSource", "pip install pyserial"),
    "virtual": ("edgereply.sources.simulator.source", "VirtualSource", "pip install pyserial"),
}


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
        module, attribute, hint = SOURCES[name]
    except KeyError:
        raise SettingError(
            f"there is no pulse source {name!r}.", "source", f"Use one of {', '.join(SOURCES)}."
        ) from None
    try:
        found: type[Any] = getattr(import_module(module), attribute)
    except ImportError as error:
        raise SourceError(f"the source {name!r} needs {error.name}.", "source", f"Install it: {hint}") from error
    return found


def create_source(name: str, options: Mapping[str, Any]) -> PulseSource:
    """Build one pulse source.

    Args:
        name: from the table.
        options: what its constructor takes, by name.

    Returns:
        The source, open and identified.

    Raises:
        SettingError: no such source, or an option that it does not have or lacks.
        SourceError: it cannot be opened, or something else answers.
    """
    found = source_class(name)
    signature = inspect.signature(found)
    try:
        signature.bind(**options)
    except TypeError as error:
        known = ", ".join(signature.parameters)
        raise SettingError(f"{error}.", f"source {name!r}", f"Its options are: {known}.") from error
    source: PulseSource = found(**options)
    return source
