"""pytest plugin: a bench as a fixture, so that a firmware project's own suite measures and judges.

pytest loads it by the entry point `pytest11` in every session of an environment that has edgereply, so nothing heavy is
imported before a test asks for the fixture. What a test measured travels as user properties of its report, which is how
it reaches the summary also from the workers of pytest-xdist, and JUnit files. pytest 8 or later.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest

if TYPE_CHECKING:
    from edgereply.api.bench_fixture import BenchFixture

MARKER: Final = "edgereply"
_FAILED: Final = pytest.StashKey[bool]()
_FIXTURE: Final = pytest.StashKey["BenchFixture"]()
_LINE: Final = re.compile(r"edgereply\.\d+\.line")


def pytest_addoption(parser: pytest.Parser) -> None:
    """The options and settings of pytest that the fixture has."""
    group = parser.getgroup("edgereply", "reaction times of a board (edgereply)")
    group.addoption("--edgereply-bench", metavar="FILE", help="bench file; default: the setting edgereply_bench")
    group.addoption(
        "--edgereply-keep", choices=("failed", "all"), default="failed", help="runs to keep: of failed tests, or all"
    )
    parser.addini("edgereply_bench", "bench file, relative to the root of the tests", default="bench.toml")
    parser.addini("edgereply_runs", "where runs are kept, relative to the root of the tests", default="edgereply-runs")


def pytest_configure(config: pytest.Config) -> None:
    """Tell pytest of the marker."""
    config.addinivalue_line(
        "markers",
        f"{MARKER}(bench=, board=, count=, ...): what edgereply_bench.measure takes where the test does not say",
    )


@pytest.fixture
def edgereply_bench(request: pytest.FixtureRequest) -> Iterator[BenchFixture]:
    """A bench to measure with: `assert edgereply_bench.measure(count=5000).verdict("2ms")`."""
    from edgereply.api.bench_fixture import BenchFixture

    config, defaults = request.config, _defaults(request.node)
    bench = defaults.pop("bench", None) or config.getoption("--edgereply-bench") or config.getini("edgereply_bench")
    if isinstance(bench, str | Path):
        bench = config.rootpath / bench
        if not bench.is_file():
            pytest.fail(f"no bench file {bench}: name one with --edgereply-bench", pytrace=False)
    folder = config.rootpath / config.getini("edgereply_runs")
    made = BenchFixture(bench, defaults, folder, request.node.nodeid, request.node.user_properties)
    request.node.stash[_FIXTURE] = made
    yield made
    if config.getoption("--edgereply-keep") == "failed" and not request.node.stash.get(_FAILED, False):
        made.remove()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Any:
    """Remember failures, whose runs are kept, and say beside them where the runs are."""
    report = yield
    made = item.stash.get(_FIXTURE, None)
    if report.failed:
        item.stash[_FAILED] = True
        if made is not None and (lines := made.kept()):
            report.sections.append(("edgereply", "\n".join(lines)))
    return report


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """A line for every run that was measured."""
    lines = {}
    for reports in terminalreporter.stats.values():
        for report in reports:
            for name, value in getattr(report, "user_properties", ()):
                if _LINE.fullmatch(str(name)):
                    lines[report.nodeid, name] = f"{report.nodeid}: {value}"
    if lines:
        terminalreporter.section("reaction times")
        for line in lines.values():
            terminalreporter.line(line)


def _defaults(node: pytest.Item) -> dict[str, Any]:
    """What the markers say, the nearest one over the farther ones."""
    found: dict[str, Any] = {}
    for marker in reversed(list(node.iter_markers(MARKER))):
        if marker.args:
            pytest.fail(f"the marker {MARKER} takes names only, such as count=5000", pytrace=False)
        found.update(marker.kwargs)
    return found
