"""What tests of several rooms share: a browser that shows a page to nobody and asks nobody anything."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

CHROMIUM, DRIVER = "chromium", "chromedriver"
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # a page that asks for anything from outside fails here as it would without a network
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost",
)


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    """One headless browser for the whole session; every test opens its own page. Skips where none is installed.

    Messages of the page are in ``chromium.get_log("browser")``, which also empties that log.
    """
    browser, driver = shutil.which(CHROMIUM), shutil.which(DRIVER)
    if browser is None or driver is None:
        pytest.skip(
            f"no {CHROMIUM if browser is None else DRIVER} on this machine: `make browser` installs it on Debian"
        )
    from selenium.webdriver import Chrome, ChromeOptions, ChromeService

    profile: Path = tmp_path_factory.mktemp("browser")
    options = ChromeOptions()
    options.binary_location = browser
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    window = Chrome(options, ChromeService(driver))
    window.set_page_load_timeout(60)
    yield window
    window.quit()
