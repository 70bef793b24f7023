"""A real browser without a window, started once, that may not reach anything but the page."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from offtake.report.build import build_report
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

# The invented journals are those of the report's other tests.
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "host"))

from report_sensors import hostile_input, sensor_input
from report_worlds import World, make_hostile, make_input

FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-dev-shm-usage",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-default-apps",
    "--hide-scrollbars", "--force-color-profile=srgb", "--force-prefers-reduced-motion",
)  # fmt: skip
PAGES = {
    "whole": lambda: make_input(World(epochs=900), World(epochs=300, run=2, calm=True, cut_off=True)),
    "bare": lambda: make_input(World(epochs=120, with_positions=False, with_time=False, with_extras=False)),
    "hostile": make_hostile,
    "sensors": lambda: sensor_input(World(epochs=300)),
    "strangers": lambda: sensor_input(World(epochs=300), strange=True),
    "hostile_sensors": hostile_input,
}  # fmt: skip


def program(name: str, package: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.fail(
            f"{name} is missing: the report page is tested in it (Debian's package {package}; host/setup installs it)"
        )
    return found


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    # Or it would look for a driver to fetch.
    os.environ["SE_OFFLINE"] = "true"
    options = webdriver.ChromeOptions()
    options.binary_location = program("chromium", "chromium")
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('browser')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(program("chromedriver", "chromium-driver")))
    yield driver
    driver.quit()


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The pages as files, by name."""
    folder = tmp_path_factory.mktemp("pages")
    paths = {}
    for name, make in PAGES.items():
        paths[name] = folder / f"{name}.html"
        paths[name].write_bytes(build_report(make()).html)
    return paths
