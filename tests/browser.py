"""Pages in a Chromium that is on this machine, for tests: by a driver, or by the browser's own commands.

Debian has it as `chromium`; the driver comes with `pip install --group browser`.
"""

import importlib.util
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

import pytest

BROWSER = next((p for name in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(name))), None)
DRIVEN = all(importlib.util.find_spec(name) for name in ("playwright", "axe_playwright_python"))
needs_chromium = pytest.mark.skipif(BROWSER is None, reason="no Chromium here: apt-get install chromium")
needs_driver = pytest.mark.skipif(not DRIVEN, reason="nothing here drives a browser: pip install --group browser")
# Playwright's own loop is left to the collector when it stops.
loose_loop = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
in_a_browser = [pytest.mark.slow, needs_chromium, needs_driver, loose_loop]  # of a whole file

QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
PATIENCE = 90_000  # ms: a busy machine takes its time, and no test is of that


def needs_browser(test: Any) -> Any:
    """The same marks for a single test."""
    for mark in in_a_browser:
        test = mark(test)
    return test


Started = Callable[..., AbstractContextManager[Any]]


@contextmanager
def driven() -> Iterator[Started]:
    """A function that starts a browser with flags and settings of its own, each time as if it had never run."""
    from playwright.sync_api import sync_playwright

    @contextmanager
    def started(*flags: str, **settings: Any) -> Iterator[Any]:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
            browser = driver.chromium.launch_persistent_context(
                profile, executable_path=BROWSER, headless=True, args=[*QUIET, *flags], **settings
            )
            browser.set_default_timeout(PATIENCE)
            try:
                yield browser
            finally:
                browser.close()

    with sync_playwright() as driver:
        yield started


@contextmanager
def watched(page: Any, console: bool = True) -> Iterator[Any]:
    """A page in which no script may fail; with `console` nothing may be complained of there either."""
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    if console:
        page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    yield page
    assert not complaints


@contextmanager
def opened(address: str, *flags: str, **settings: Any) -> Iterator[Any]:
    """The page at an address in a browser of its own."""
    with driven() as started, started(*flags, **settings) as browser, watched(browser.new_page()) as page:
        page.goto(address)
        yield page


def asked(page: Path, *flags: str) -> str:
    """What the browser writes when it is started with flags on a page, without a driver."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as home:
        command = [str(BROWSER), "--headless", *QUIET, f"--user-data-dir={home}/profile", *flags, page.as_uri()]
        environment = {**os.environ, "HOME": home}
        return subprocess.run(command, capture_output=True, text=True, timeout=120, check=True, env=environment).stdout
