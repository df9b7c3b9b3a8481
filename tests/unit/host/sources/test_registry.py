"""The table of sources."""

import subprocess
import sys

import pytest

from edgereply.config.choices import SOURCES, SourceKind
from edgereply.errors import SettingError, SourceError
from edgereply.sources import registry


@pytest.mark.parametrize("name", SOURCES)
def test_every_entry_exists(name: str) -> None:
    found = registry.source_class(name)
    for method in ("arm", "start", "read", "abort", "close", "level", "identity"):
        assert hasattr(found, method)


def test_nothing_is_imported_before_it_is_chosen() -> None:
    code = (
        "import sys, edgereply.sources.registry\n"
        "print([m for m in sys.modules if m.startswith(('serial', 'edgereply.sources.r'))])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.strip() == "['edgereply.sources.registry']"


def test_unknown() -> None:
    with pytest.raises(SettingError, match=r"no pulse source 'oscillator'.*use one of virtual, reference"):
        registry.source_class("oscillator")


def test_what_is_not_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    kind = SourceKind(module="edgereply_missing_module", class_name="Other", needs="pip install other")
    monkeypatch.setitem(SOURCES, "other", kind)
    with pytest.raises(SourceError, match=r"needs edgereply_missing_module.*install it: pip install other"):
        registry.source_class("other")


@pytest.mark.parametrize("options", [{}, {"port": "x", "speed": 3}])
def test_options_that_do_not_fit(options: dict[str, object]) -> None:
    with pytest.raises(SettingError, match=r"source 'reference'.*its options are: port, baud"):
        registry.create_source("reference", options)
