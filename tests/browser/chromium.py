"""A headless browser of its own, cut off from any network, and what the tests ask it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from tests.tools import need

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
PATIENCE_S = 60.0


@contextmanager
def browser(profile: Path) -> Iterator[Browser]:
    """A browser with a fresh profile.

    Args:
        profile: an empty directory.

    Yields:
        The browser; it is closed afterwards.
    """
    chromium, driver = need("chromium", "chromium"), need("chromedriver", "chromium-driver")
    options = webdriver.ChromeOptions()
    options.binary_location = str(chromium)
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    service = Service(str(driver))
    opened = webdriver.Chrome(options=options, service=service)
    try:
        opened.execute_cdp_cmd("Network.enable", {})
        opened.execute_cdp_cmd(
            "Network.emulateNetworkConditions",
            {"offline": True, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1},
        )
        yield Browser(opened)
    finally:
        opened.quit()


class Browser:
    """One window."""

    def __init__(self, driver: webdriver.Chrome) -> None:
        self.driver = driver

    def open(self, page: Path, width: int = 1200, dark: bool = False, height: int = 900, drawn: str = "yes") -> None:
        """Open a page and wait until its figures are drawn, or cannot be (`drawn` is "no")."""
        features = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
        )
        self.driver.get(page.as_uri())
        self.wait(f"document.documentElement.dataset.drawn === '{drawn}'")

    def ask(self, expression: str, *arguments: Any) -> Any:
        """Value of a JavaScript expression."""
        return self.driver.execute_script(f"return ({expression})", *arguments)

    def wait(self, condition: str) -> None:
        """Wait until a JavaScript condition holds."""
        self.until(lambda: bool(self.ask(condition)), condition)

    def until(self, holds: Callable[[], bool], what: str) -> None:
        """Wait until something holds."""
        end = time.monotonic() + PATIENCE_S
        while not holds():
            assert time.monotonic() < end, f"waited {PATIENCE_S:.0f} s in vain for: {what}"
            time.sleep(0.05)

    def click(self, selector: str) -> None:
        """Press a control the way a keyboard does."""
        self.driver.execute_script("const e = document.querySelector(arguments[0]); e.focus(); e.click();", selector)

    def key(self, selector: str, key: str) -> None:
        """Press a key on a focused element; without one, where the focus is."""
        if selector:
            self.driver.execute_script("document.querySelector(arguments[0]).focus()", selector)
        for kind in ("keyDown", "keyUp"):
            self.driver.execute_cdp_cmd("Input.dispatchKeyEvent", {"type": kind, "key": key})

    def complaints(self) -> list[str]:
        """What the console says since the last call."""
        return [f"{entry['level']}: {entry['message']}" for entry in self.driver.get_log("browser")]  # type: ignore[no-untyped-call]
