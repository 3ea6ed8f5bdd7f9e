"""Draws `samples/pictures/page_look.png` and `page_submit.png` for the README: the web page with a sample artwork.

It starts a service of its own and looks at it in Debian's Chromium. Run in the project's folder:
`.venv/bin/python -m samples.render_page`.
"""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

SAMPLES = Path(__file__).parent
FAB, ARTWORK, WIDTH_MM = "nocturne-gold", "quillmere-badge.png", "40"
SIZE = {"width": 1180, "height": 760}
COLOURS = 224
"""An indexed picture is a quarter of the size."""


def draw(browser: Browser, address: str) -> None:
    """Submit an artwork, and keep what the page shows before and after."""
    page = browser.new_page(viewport=SIZE, color_scheme="light")
    page.set_default_timeout(120_000)
    page.goto(address)
    page.wait_for_selector("select")
    page.select_option("select >> nth=0", FAB)
    page.fill('[data-setting="width"] input', WIDTH_MM)
    page.set_input_files("input[type=file] >> nth=0", SAMPLES / "artworks" / ARTWORK)
    page.wait_for_selector(".draft[data-detail=fine]")
    keep(page.screenshot(), "page_submit")
    page.click("button.main")
    page.wait_for_selector("[data-shown]")
    page.check("input[value=error]")
    page.wait_for_selector("[data-mode=error]")
    page.wait_for_timeout(300)
    keep(page.screenshot(), "page_look")


def keep(screen: bytes, name: str) -> None:
    """Store a picture in few colours."""
    picture = Image.open(io.BytesIO(screen)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    picture.save(SAMPLES / "pictures" / f"{name}.png", optimize=True)


def main() -> None:
    """Start the service, draw, and end it."""
    chromium = shutil.which("chromium-headless-shell") or shutil.which("chromium")
    if chromium is None:
        sys.exit("There is no Chromium. On Debian: apt-get install chromium-headless-shell.")
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "worker.embedded", "--port", "0", "--data-dir", folder]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        try:
            assert process.stdout is not None
            address = process.stdout.readline().split()[-1]
            with sync_playwright() as play:
                browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
                draw(browser, address)
                browser.close()
        finally:
            process.terminate()
            process.wait(60)


if __name__ == "__main__":
    main()
