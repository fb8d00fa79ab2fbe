"""A page in the distribution's own Chromium, for tests."""

import importlib.util
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = importlib.util.find_spec("playwright") is not None
needs_browser = pytest.mark.skipif(BROWSER is None or not DRIVER, reason="no Chromium, or no driver for it, here")
QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


@contextmanager
def opened(address: str, profile: Path, *flags: str, **context: Any) -> Iterator[Any]:
    """The page at an address in a browser of its own; what it complains of ends the test."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch_persistent_context(
            str(profile), executable_path=BROWSER, headless=True, args=[*QUIET, *flags], **context
        )
        page = browser.new_page()
        page.set_default_timeout(60_000)
        complaints: list[str] = []
        page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(address)
        yield page
        browser.close()
        assert not complaints
