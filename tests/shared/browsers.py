"""A real browser for tests of pages: chromium without a window, steered by its driver."""

import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

BROWSER, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
)


def started(profile: Path, *flags: str, downloads: Path | None = None) -> Any:
    """A browser with a profile of its own that logs what it prints and asks for; skips the test without one.

    What it downloads lies in a folder, in that of its profile if none is named: never in the user's own.
    """
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    from selenium.webdriver.chrome.service import Service

    if BROWSER is None or DRIVER is None:
        pytest.skip("chromium and chromedriver are not installed")
    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for flag in (*FLAGS, f"--user-data-dir={profile}", *flags):
        options.add_argument(flag)
    options.add_experimental_option("prefs", {"download.default_directory": str(downloads or profile)})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    return webdriver.Chrome(options=options, service=Service(DRIVER))


def until(condition: Callable[[], Any], what: str, seconds: float = 20.0) -> Any:
    """What a condition gives as soon as it gives something; fails after so many seconds."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if value := condition():
            return value
        time.sleep(0.02)
    raise AssertionError(f"waited {seconds} s in vain: {what}")
