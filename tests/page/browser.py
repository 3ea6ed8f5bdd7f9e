"""The page in a real browser, against the real service with real workers: one of each for all journeys of a module."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

from tests.worker.serving import Service, serving
from worker.settings import PROJECT

CHROMIUM = shutil.which("chromium-headless-shell") or shutil.which("chromium")
"""The first is the same browser without its windows: it takes half the processor time."""
MISSING = "needs Chromium: apt-get install chromium-headless-shell"
PICTURES = PROJECT / "build" / "page"
"""Where journeys leave what they saw, to be looked at."""
SAMPLES = PROJECT / "samples"
DESKTOP, PHONE = {"width": 1280, "height": 900}, {"width": 360, "height": 740}
WAIT_MS = 60_000


@dataclass
class Traveller:
    """A browser and a service. What a page complains of, such as a breach of its policy, fails its journey."""

    browser: Browser
    service: Service

    @contextmanager
    def page(self, *, phone: bool = False, dark: bool = False, **options: Any) -> Iterator[Page]:
        """A page of its own, as of a new visitor."""
        context = self.browser.new_context(
            viewport=PHONE if phone else DESKTOP, color_scheme="dark" if dark else "light", **options
        )
        context.set_default_timeout(WAIT_MS)
        page = context.new_page()
        found: list[str] = []
        page.on("pageerror", lambda error: found.append(str(error)))
        page.on("console", lambda message: found.append(message.text) if is_fault(message) else None)
        try:
            yield page
        finally:
            context.close()
        assert found == []

    def open(self, page: Page, place: str = "submit") -> None:
        """Go to a place of the page, and wait until it is there."""
        page.goto(f"{self.service.address}/#/{place}")
        page.wait_for_selector(f'main[data-ready="{place}"]')

    def seen(self, page: Page, name: str) -> None:
        """Keep a picture of the page as it is."""
        PICTURES.mkdir(parents=True, exist_ok=True)
        page.screenshot(path=PICTURES / f"{name}.jpg", type="jpeg", quality=75)


def is_fault(message: ConsoleMessage) -> bool:
    """Whether the browser complains; an answer that is an error is none, for the page says it in its own words."""
    return message.type == "error" and not message.text.startswith("Failed to load resource")


@contextmanager
def travelling(folder: Path) -> Iterator[Traveller]:
    """A service with nothing in it yet, and a browser."""
    if CHROMIUM is None:
        pytest.skip(MISSING)
    with serving(folder / "data") as service, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        try:
            yield Traveller(browser, service)
        finally:
            browser.close()
