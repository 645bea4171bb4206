"""A page of ours in a real browser, as wide as a phone or a desk, with what it logs and requests kept."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from selenium import webdriver

__all__ = ["WIDTHS", "opened"]

WIDTHS = (390, 1280)
SWITCHES = (
    "--headless=new --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
)


@contextmanager
def opened(page: Path, width: int) -> Iterator[webdriver.Chrome]:
    """The page, as a phone shows it below 500 pixels of width."""
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or "chromium"
    for switch in SWITCHES.split():
        options.add_argument(switch)
    if width < 500:
        phone = {"deviceMetrics": {"width": width, "height": 800, "pixelRatio": 2, "mobile": True}}
        options.add_experimental_option("mobileEmulation", phone)
    else:
        options.add_argument(f"--window-size={width},900")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(shutil.which("chromedriver")))
    try:
        driver.get(f"file://{page}")
        yield driver
    finally:
        driver.quit()
