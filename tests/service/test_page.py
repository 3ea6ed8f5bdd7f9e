"""The web page's files, as the service sends them."""

from __future__ import annotations

import re
from pathlib import Path

from service.routes.page import FOLDER
from tests.service.fixtures import is_problem, make_key, service
from worker.engine.panel import panel_picture
from worker.engine.report.colour_scale import COLOURS, LARGEST

MARKUP = re.compile(r"\son[a-z]+=|\sstyle=|<style|javascript:", re.IGNORECASE)


def test_the_page_is_sent_to_everybody_and_holds_nothing_of_anybody(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        make_key(client, "ada")
        page = client.get("/")
        assert page.status_code == 200 and page.headers["content-type"].startswith("text/html")
        named = re.findall(r'(?:src|href)="(/[^"]*)"', page.text)
        assert len(named) >= 3
        for path in named:
            found = client.get(path)
            assert found.status_code == 200
            again = client.get(path, headers={"If-None-Match": found.headers["etag"]})
            assert again.status_code == 304 and "script-src 'self'" in again.headers["content-security-policy"]
        for path in ("/page/none.js", "/page/../app.py", "/page/%2e%2e%2fapp.py", "/page/"):
            assert is_problem(client.get(path, headers=make_key(client, "bob")), 404)


def test_nothing_of_the_page_is_written_inline_or_comes_from_elsewhere() -> None:
    """What the Content-Security-Policy would bar anyway (W3C CSP3), seen before a browser is asked."""
    html = (FOLDER / "index.html").read_text("utf-8")
    assert not MARKUP.search(html) and not re.search(r"<script(?![^>]*\ssrc=)", html)
    for path in FOLDER.iterdir():
        text = path.read_text("utf-8")
        addresses = set(re.findall(r"https?://[^\s\"'`)]+", text)) - {"http://www.w3.org/2000/svg"}
        assert addresses == set(), path.name
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function", text), (
            path.name
        )


def test_the_page_reads_pictures_by_the_numbers_that_they_are_drawn_by() -> None:
    pictures, panel = ((FOLDER / name).read_text("utf-8") for name in ("pictures.js", "panel.js"))
    assert f"ERROR_STEPS = {COLOURS - 1};" in pictures and f"LARGEST_ERROR = {LARGEST:g};" in pictures
    assert f"MARGIN_PX = {panel_picture._MARGIN_PX};" in panel


def test_every_module_that_is_named_is_there() -> None:
    for path in FOLDER.glob("*.js"):
        for name in re.findall(r"""(?:from|import\()\s*["']\./([^"']+)["']""", path.read_text("utf-8")):
            assert (FOLDER / name).is_file(), (path.name, name)
