"""What people do with the page, from the first artwork on, in Chromium against the real service with real workers.

The journeys build on one another's results, in this order; the last one makes a key, from which on all need one.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterator
from io import BytesIO
from typing import Any

import pytest
from playwright.sync_api import Page

from tests.page.browser import SAMPLES, Traveller, travelling

FAB = "nocturne-gold"


@pytest.fixture(scope="module")
def traveller(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Traveller]:
    with travelling(tmp_path_factory.mktemp("journeys")) as found:
        yield found


@pytest.fixture(scope="module")
def owl(traveller: Traveller) -> str:
    """The id of a finished result."""
    with traveller.page() as page:
        traveller.open(page)
        submit(page, "owl.png", "18")
        page.wait_for_selector("body [data-shown]")
        return str(page.url.rsplit("/", 1)[1])


def submit(page: Page, artwork: str, width: str) -> None:
    page.select_option("select >> nth=0", FAB)
    page.fill('[data-setting="width"] input', width)
    page.set_input_files("input[type=file] >> nth=0", SAMPLES / "artworks" / artwork)
    page.wait_for_selector(".draft[data-detail]")
    page.click("button.main")
    page.wait_for_url("**/#/jobs/*")


def asked(page: Page, path: str) -> Any:
    """What the service answers this page."""
    return json.loads(page.request.get(page.url.split("/#")[0] + path).text())


def test_the_first_view_is_small_and_comes_from_the_service_alone(traveller: Traveller) -> None:
    with traveller.page() as page:
        came: list[tuple[str, int]] = []
        page.on("response", lambda response: came.append((response.url, len(response.body()))))
        traveller.open(page)
        assert all(url.startswith(traveller.service.address) for url, _ in came)
        assert sum(size for _, size in came) < 100_000
        policy = page.request.get(traveller.service.address).headers["content-security-policy"]
        assert "script-src 'self'" in policy and "unsafe" not in policy and "require-trusted-types-for" in policy
        assert (
            "script-src"
            not in page.request.get(f"{traveller.service.address}/v1/fabs").headers["content-security-policy"]
        )


def test_submitting(traveller: Traveller) -> None:
    """The other side follows by the artwork's proportions; the draft answers to each control."""
    with traveller.page() as page:
        traveller.open(page)
        page.select_option("select >> nth=0", FAB)
        drafts: list[dict[str, Any]] = []

        def note(response: Any) -> None:
            if response.url.endswith("/v1/drafts") and response.ok:
                drafts.append(response.json())

        page.on("response", note)

        def draft_after(change: Any) -> dict[str, Any]:
            before = len(drafts)
            change()
            while len(drafts) == before:
                page.wait_for_timeout(20)
            return drafts[-1]

        page.fill('[data-setting="width"] input', "20")
        first = draft_after(lambda: page.set_input_files("input[type=file] >> nth=0", SAMPLES / "artworks" / "owl.png"))
        assert page.input_value('[data-setting="height"] input') == "26", "the file has 640 x 832 pixels"
        assert (first["grid"]["width_mm"], first["grid"]["height_mm"]) == (20.0, 26.0)
        assert first["edges"]["route"] == "threshold"
        page.wait_for_selector(".draft[data-detail=fine]")
        traveller.seen(page, "submit")
        assert draft_after(lambda: page.fill('[data-setting="height"] input', "13"))["grid"][
            "width_mm"
        ] == pytest.approx(10.0, abs=0.1)
        assert draft_after(lambda: page.check("input[value=dither]"))["edges"]["route"] == "dither"
        fewer = draft_after(lambda: page.select_option('[data-setting="clusters"] select', "2"))
        assert len(fewer["clusters"]) == 2
        without = draft_after(lambda: page.uncheck('[data-setting="forbid"] input[value="gold"]'))
        assert next(one["share"] for one in without["finishes"] if one["id"] == "gold") == 0
        contrast = draft_after(lambda: page.check("input[value=contrast]"))
        assert "s_cielab_stretched" in contrast["score"]
        page.select_option('[data-setting="background"] select', "legend")

        # What is wrong is said beside what caused it, with the mend; nothing is submitted.
        page.fill('[data-setting="height"] input', "5000")
        wrong = page.locator('[data-setting="height"] .wrong')
        wrong.wait_for()
        assert "Choose 0.1mm to 1200mm." in wrong.inner_text()
        assert page.get_attribute('[data-setting="height"] input', "aria-invalid") == "true"
        traveller.seen(page, "submit-wrong")
        assert asked(page, "/v1/jobs")["jobs"] == [], "a draft makes no result"


def test_following_a_result(traveller: Traveller, owl: str) -> None:
    with traveller.page() as page:
        traveller.open(page, "jobs")
        page.wait_for_selector(f'[data-job="{owl}"] .state.done')
        traveller.seen(page, "results")
        page.click(f'[data-job="{owl}"] a')
        page.wait_for_selector("[data-shown]")


def test_looking(traveller: Traveller, owl: str) -> None:
    with traveller.page() as page:
        traveller.open(page, f"jobs/{owl}")
        page.wait_for_selector("[data-mode=board]")
        half = canvas_bytes(page)
        slider = page.get_by_label("Divider between artwork and board")
        slider.focus()
        for _ in range(30):
            page.keyboard.press("ArrowLeft")
        assert slider.input_value() == "20" and "percent" in str(slider.get_attribute("aria-valuetext"))
        settled(page)
        assert canvas_bytes(page) != half

        pictures = {"board": canvas_bytes(page)}
        for mode in ("finishes", "layers", "error", "eye", "tilt"):
            page.check(f"input[value={mode}]")
            page.wait_for_selector(f"[data-mode={mode}]")
            settled(page)
            pictures[mode] = canvas_bytes(page)
            traveller.seen(page, f"look-{mode}")
        assert len({pictures[mode] for mode in ("board", "layers", "error", "eye", "tilt")}) == 5
        assert pictures["finishes"] == pictures["board"], "all masks together are the board"
        assert "plausible rendering" in page.inner_text(".note")
        page.check("input[value=finishes]")
        page.click("text=all off")
        page.check('.choices input[value="gold"]')
        settled(page)
        assert canvas_bytes(page) not in pictures.values()

        # A worst place is one click away: its pixels are seen one by one, with a scale in mm that fits.
        page.check("input[value=board]")
        worst = asked(page, f"/v1/jobs/{owl}/look")["worst"]
        before = float(str(page.get_attribute(".viewer", "data-zoom")))
        page.click(".worst button >> nth=0")
        page.wait_for_selector(f"text=Pixel {worst[0]['x_px']}, {worst[0]['y_px']}")
        settled(page)
        assert float(str(page.get_attribute(".viewer", "data-zoom"))) > before
        assert "µm" in str(page.get_attribute(".viewer", "data-scale"))
        page.locator("canvas").first.focus()
        page.keyboard.press("0")
        settled(page)
        assert float(str(page.get_attribute(".viewer", "data-zoom"))) == before

        # From farther away the eye passes less: the mean error of what it sees does not rise.
        page.check("input[value=eye]")
        page.select_option("select", "2500mm")
        page.wait_for_selector('[data-distance="2500"]')
        far = asked(page, f"/v1/jobs/{owl}/look?viewing_distance=2500mm")["score"]["s_cielab"]["mean"]
        near = asked(page, f"/v1/jobs/{owl}/look")["score"]["s_cielab"]["mean"]
        assert far < near


def canvas_bytes(page: Page) -> str:
    """What the viewer shows, without the names over it."""
    return str(page.locator("canvas").first.evaluate("(canvas) => canvas.toDataURL()"))


def settled(page: Page) -> None:
    page.evaluate("() => new Promise((resolve) => requestAnimationFrame(() => requestAnimationFrame(resolve)))")


def test_tuning_a_colour(traveller: Traveller, owl: str) -> None:
    with traveller.page() as page:
        traveller.open(page, f"jobs/{owl}/tune")
        page.wait_for_selector("[data-shown]")
        # The middle of the owl's belly, where the artwork is of the colour of gold.
        box = page.locator("canvas").first.bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + box["width"] * 0.47, box["y"] + box["height"] * 0.58)
        page.wait_for_selector("dl.facts")
        report = asked(page, f"/v1/jobs/{owl}/files/report.json")
        colour = page.inner_text("section strong")
        cluster = next(one for one in report["clusters"] if one["colour"] == colour)
        told = page.inner_text("dl.facts")
        assert f"{cluster['delta_e']:.1f}" in told and f"{cluster['margin']:.1f}" in told
        assert f"{cluster['id'] + 1} of {len(report['clusters'])}" in told
        traveller.seen(page, "tune")

        page.select_option("select", "legend")
        page.click("text=Pin, and see a draft")
        page.wait_for_selector('[data-pins="1"]')
        settled(page)
        traveller.seen(page, "tune-pinned")
        page.click("text=Undo")
        page.wait_for_selector('[aria-label="Pins"] >> text=None.')
        page.click("text=Pin, and see a draft")
        page.wait_for_selector("text=in the draft")
        page.click("text=Make the board with these pins")
        page.wait_for_url(lambda url: owl not in url)
        page.wait_for_selector("[data-shown]")
        made = asked(page, f"/v1/jobs/{page.url.rsplit('/', 1)[1]}")
        assert made["settings"]["pin"] == [f"{colour}~5=legend"]
        moved = asked(page, f"{made['links']['files']}/report.json")["clusters"]
        assert next(one["finish"] for one in moved if one["colour"] == colour) == "legend"


def test_taking_away(traveller: Traveller, owl: str) -> None:
    with traveller.page() as page:
        traveller.open(page, f"jobs/{owl}/take")
        page.wait_for_selector("text=Share by link")
        traveller.seen(page, "take")
        with page.expect_download() as coming:
            page.click("text=Download everything")
        names = zipfile.ZipFile(str(coming.value.path())).namelist()
        assert "owl/masks/gold.png" in names and "owl/report.json" in names
        page.click("text=Make a link")
        link = page.input_value("input[readonly]")
        with traveller.browser.new_context() as stranger:
            found = stranger.request.get(link)
            assert found.ok and zipfile.ZipFile(BytesIO(found.body())).testzip() is None
            page.click("text=End all its links")
            page.wait_for_selector("text=lead nowhere now")
            assert stranger.request.get(link).status == 404
