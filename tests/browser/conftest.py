"""One browser for all tests of the desk: its start costs more than most of them."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsers import started, until
from desk_pages import PRESET, RATE, stem

from tapeemu.desk.page import write_page
from tapeemu.desk.stems import read_stems
from tapeemu.presets import parse_preset


@pytest.fixture(scope="session")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("desk")
    stems = read_stems([stem(folder, 2 * RATE), stem(folder, RATE, "one", channels=1)])
    return write_page(stems, parse_preset(PRESET, name="for-the-test"), folder / "a #desk? 100%.html")


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    driver = started(tmp_path_factory.mktemp("profile"), "--window-size=1300,1000")
    driver.set_script_timeout(60)
    yield driver
    driver.quit()


@pytest.fixture
def opened(browser: Any, page: Path) -> Any:
    browser.get(page.as_uri())
    until(lambda: browser.execute_script("return document.body.classList.contains('ready')"), "the desk is ready")
    return browser


@pytest.fixture
def ready(browser: Any, page: Path) -> Any:
    """The page for tests that leave it as it is; opened anew where another test has been at the browser since."""
    if not browser.execute_script("return window.leftAsItIs === true"):
        browser.get(page.as_uri())
        until(
            lambda: browser.execute_script("return document.body.classList.contains('ready')"), "the desk is ready"
        )
        browser.execute_script("window.leftAsItIs = true")
    return browser
