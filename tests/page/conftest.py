"""A headless browser and the page of a run; skipped, with the reason, where there is none."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from importlib import util
from pathlib import Path
from typing import Any

import pytest

FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--force-device-scale-factor=1", "--window-size=1280,1000",
)  # fmt: skip


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A browser of its own, with a new profile."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    from selenium.webdriver.chrome.service import Service

    paths = {name: shutil.which(name) for name in ("chromium", "chromedriver")}
    missing = [name for name, path in paths.items() if path is None]
    if missing:
        pytest.skip(f"no {' and no '.join(missing)} on the path")
    options = webdriver.ChromeOptions()
    options.binary_location = paths["chromium"]
    for flag in FLAGS:
        options.add_argument(flag)
    options.add_argument(f"--user-data-dir={tmp_path_factory.mktemp('profile')}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(paths["chromedriver"]))
    try:
        yield driver
    finally:
        driver.quit()


@pytest.fixture(scope="session")
def axe() -> str:
    """The source of axe-core: the file that AXE_JS names, or the one that a package brings."""
    named = os.environ.get("AXE_JS")
    if named:
        return Path(named).read_text(encoding="utf-8")
    found = util.find_spec("axe_core_python")
    if found is None or found.origin is None:
        pytest.skip("axe-core-python is not installed, and AXE_JS names no axe.min.js")
    return Path(found.origin).with_name("axe.min.js").read_text(encoding="utf-8")
