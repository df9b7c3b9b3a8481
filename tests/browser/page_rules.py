"""axe-core, rules of accessibility run inside a page; its npm package is pinned by the lock file in `axe/`."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from tests.browser.chromium import Browser
from tests.products import BuildError, cache, product, run
from tests.tools import need

_AXE = Path(__file__).parent / "axe"
_INSTALL = ["ci", "--ignore-scripts", "--no-audit", "--no-fund"]
# Impacts that keep somebody from reading the page; "minor" and "moderate" are advice.
SERIOUS = ("serious", "critical")
# A long page on a busy computer: some seconds; the driver itself would wait half a minute.
PATIENCE_S = 300.0


def rules() -> str:
    """Returns: the script with the rules, installed into the cache unless it is there."""
    npm = need("npm", "npm")

    def make(into: Path) -> None:
        for name in ("package.json", "package-lock.json"):
            shutil.copy(_AXE / name, into)
        try:
            run([str(npm), *_INSTALL], into)
        except BuildError as error:
            raise BuildError(f"{error}\ntry yourself: cd {_AXE} && npm {' '.join(_INSTALL)}") from error

    return (product(cache("page"), "axe", [_AXE], make) / "node_modules/axe-core/axe.min.js").read_text("utf-8")


def findings(window: Browser) -> list[str]:
    """What keeps somebody from reading the open page: rule, impact and the elements it is about."""
    window.driver.execute_script(rules())
    window.driver.set_script_timeout(PATIENCE_S)
    found: dict[str, Any] = window.driver.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, { resultTypes: ['violations'] }).then(r => done({ checked: r.passes.length, found:"
        " r.violations.map(v => [v.id, v.impact, v.nodes.map(n => n.html.slice(0, 120))]) }), e => done(String(e)));"
    )
    assert found["checked"] > 10, "the rules were run"
    return [f"{rule} ({impact}): {nodes[:3]}" for rule, impact, nodes in found["found"] if impact in SERIOUS]
