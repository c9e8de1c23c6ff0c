"""Debian's Chromium for the tests of the pages, and where their screenshots go."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, Playwright

SCREENS = Path(__file__).parents[1] / "build" / "screens"
SHOWN_MS = 20_000
"""Generous, because it only bounds a failing test."""


@contextmanager
def launched(driver: Playwright) -> Iterator[Browser]:
    """A browser for one test: it starts processes as it needs them, for sound for example."""
    found = shutil.which("chromium")
    assert found, "not installed: chromium; `bash tests/run.sh` installs it"
    browser = driver.chromium.launch(executable_path=found, args=["--no-sandbox"])
    try:
        yield browser
    finally:
        browser.close()
