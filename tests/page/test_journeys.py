"""What people do with the page, from the first artwork on, in Chromium against the real service with real workers.

The journeys build on one another's results, in this order; the last one makes a key, from which on all need one.
"""

from __future__ import annotations

import contextlib
import json
import zipfile
from collections.abc import Callable, Iterator
from io import BytesIO
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, Route
from playwright.sync_api import TimeoutError as PlaywrightTimeoutError

from tests.engine.circuit.circuits import small_circuit
from tests.page.browser import DESKTOP, PHONE, SAMPLES, WAIT_MS, Traveller, travelling

FAB = "nocturne-gold"


@pytest.fixture(scope="module")
def traveller(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Traveller]:
    with travelling(tmp_path_factory.mktemp("journeys")) as found:
        yield found


def owl_of(traveller: Traveller) -> str:
    """The id of a finished result."""
    with traveller.page() as page:
        traveller.open(page)
        page.get_by_label("move its dots until the eye gains no more").check()
        submit(page, "owl.png", "14")
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


def the_first_view_is_small_and_comes_from_the_service_alone(traveller: Traveller) -> None:
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


def submitting(traveller: Traveller) -> None:
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

        page.fill('[data-setting="width"] input', "5")
        first = draft_after(lambda: page.set_input_files("input[type=file] >> nth=0", SAMPLES / "artworks" / "owl.png"))
        assert page.input_value('[data-setting="height"] input') == "6.5", "the file has 640 x 832 pixels"
        assert (first["grid"]["width_mm"], first["grid"]["height_mm"]) == (5.0, 6.5)
        assert first["edges"]["route"] == "threshold"
        page.wait_for_selector(".draft[data-detail=fine]")
        traveller.seen(page, "submit")
        assert draft_after(lambda: page.fill('[data-setting="height"] input', "9.1"))["grid"][
            "width_mm"
        ] == pytest.approx(7.0, abs=0.1)
        assert draft_after(lambda: page.check("input[value=dither]"))["edges"]["route"] == "dither"
        fewer = draft_after(lambda: page.select_option('[data-setting="clusters"] select', "2"))
        assert len(fewer["clusters"]) == 2
        without = draft_after(lambda: page.uncheck('[data-setting="forbid"] input[value="gold"]'))
        assert next(one["share"] for one in without["finishes"] if one["id"] == "gold") == 0
        contrast = draft_after(lambda: page.check("input[value=contrast]"))
        assert "s_cielab_stretched" in contrast["score"]
        # A refined draft that is no longer wanted is given up. It is asked for a second after the quick one: a machine
        # that is busy may need longer to lay hold of it, so it is caught at one of several.
        for background in ("legend", "copper", "legend", "copper"):
            draft_after(lambda to=background: page.select_option('[data-setting="background"] select', to))
            page.route("**/v1/drafts", lambda route: None)  # which nobody answers
            with contextlib.suppress(PlaywrightTimeoutError):
                with page.expect_request("**/v1/drafts", timeout=5000) as refined:
                    pass
                break
            page.unroute("**/v1/drafts")
        page.unroute("**/v1/drafts")
        with page.expect_event("requestfailed", lambda request: request == refined.value):
            page.select_option('[data-setting="background"] select', "mask")

        # What is wrong is said beside what caused it, with the mend; nothing is submitted.
        page.fill('[data-setting="height"] input', "5000")
        wrong = page.locator('[data-setting="height"] .wrong')
        wrong.wait_for()
        assert "Choose 0.1mm to 1200mm." in wrong.inner_text()
        assert page.get_attribute('[data-setting="height"] input', "aria-invalid") == "true"
        traveller.seen(page, "submit-wrong")
        page.fill('[data-setting="height"] input', "6.5")
        cut = (SAMPLES / "artworks" / "owl.png").read_bytes()[:3000]
        for name, content, told in (("cut.png", cut, "cut short"), ("none.png", b"", "nothing is in it")):
            page.set_input_files(
                "input[type=file] >> nth=0", [{"name": name, "mimeType": "image/png", "buffer": content}]
            )
            page.locator(".drop .wrong").filter(has_text=name).filter(has_text=told).wait_for()
            assert not page.is_visible(".draft .viewer"), "a draft of another artwork"
        assert asked(page, "/v1/jobs")["jobs"] == [], "a draft makes no result"


def dropping_a_few_artworks(traveller: Traveller) -> None:
    with traveller.page() as page:
        traveller.open(page)
        page.fill('[data-setting="width"] input', "")
        page.evaluate(
            """() => {
              const transfer = new DataTransfer();
              for (const name of ["one.txt", "two.txt"]) transfer.items.add(new File(["no picture"], name));
              const drop = document.querySelector(".drop");
              for (const kind of ["dragover", "drop"]) {
                drop.dispatchEvent(new DragEvent(kind, { dataTransfer: transfer, bubbles: true, cancelable: true }));
              }
            }"""
        )
        page.wait_for_selector("text=2 files, submitted as one collection")
        page.wait_for_selector("text=Submit 2 files as a collection")
        page.locator(".drop .wrong").get_by_text("no known picture format").wait_for()
        assert page.url.endswith("submit")


def following_a_result(traveller: Traveller, owl: str) -> None:
    with traveller.page() as page:
        traveller.open(page, "jobs")
        page.wait_for_selector(f'[data-job="{owl}"] .state.done')
        until(
            page,
            lambda: page.evaluate("(job) => document.querySelector(`[data-job='${job}'] img`).naturalWidth", owl) > 0,
        )
        size = page.locator(f'[data-job="{owl}"] img').evaluate("(image) => [image.naturalWidth, image.naturalHeight]")
        assert max(size) == 160, "a list loads small pictures"
        traveller.seen(page, "results")
        assert asked(page, f"/v1/jobs/{owl}")["settings"]["quality"] == "best"
        page.click(f'[data-job="{owl}"] a')
        page.wait_for_selector("[data-shown]")
        for place, told in (("%E0%A4%A", "There is nothing at %E0%A4%A"), (f"jobs/{'0' * 32}", "There is no job")):
            page.goto(f"{traveller.service.address}/#/{place}")
            page.get_by_text(told).wait_for()
        page.click("text=All results")
        page.wait_for_selector(f'[data-job="{owl}"]')


def looking(traveller: Traveller, owl: str) -> None:
    with traveller.page() as page:

        def late(route: Route) -> None:
            """As where a worker takes longer than a request waits."""
            made = route.fetch().json()["job"]
            route.fulfill(status=202, json=asked(page, f"/v1/jobs/{made}"))

        page.route("**/look?*", late)
        with page.expect_request("**/events"):
            traveller.open(page, f"jobs/{owl}")
        page.wait_for_selector("[data-mode=board]")
        page.unroute("**/look?*")
        page.route("**/files/error.png", lambda route: route.fulfill(status=404))
        page.check("input[value=error]")
        page.get_by_text("Reload the page, and they are made again.").wait_for()
        page.unroute("**/files/error.png")
        for place in ("tune", "look"):
            traveller.open(page, f"jobs/{owl}/{place}")
            page.wait_for_selector("[data-shown]")
        page.check("input[value=error]")
        page.wait_for_selector(".scale-bar")
        page.check("input[value=board]")
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
            if mode in ("layers", "error", "tilt"):
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


def until(page: Page, check: Callable[[], bool]) -> None:
    """Wait for what no selector can say; the page's policy bars the browser from waiting for a text of ours."""
    for _ in range(WAIT_MS // 50):
        if check():
            return
        page.wait_for_timeout(50)
    assert check()


def canvas_bytes(page: Page) -> str:
    """What the viewer shows, without the names over it."""
    return str(page.locator("canvas").first.evaluate("(canvas) => canvas.toDataURL()"))


def settled(page: Page) -> None:
    page.evaluate("() => new Promise((resolve) => requestAnimationFrame(() => requestAnimationFrame(resolve)))")


def tuning_a_colour(traveller: Traveller, owl: str) -> None:
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


def taking_away(traveller: Traveller, owl: str) -> None:
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
            told = stranger.new_page()
            told.goto(link)
            assert "Copy all of it, or ask whoever shared it" in told.inner_text("main")
            assert told.evaluate("getComputedStyle(document.querySelector('.card')).display") == "grid", "styled"
            traveller.seen(told, "link-ended")


def a_collection(traveller: Traveller) -> None:
    """One bad file among good ones: it is listed with its mend, filtered, and tried again."""
    artworks = ["small-rover.bmp", "night-watch-token.png", "owl.png"]
    with traveller.page(dark=True) as page:
        traveller.open(page)
        page.select_option("select >> nth=0", FAB)
        page.fill('[data-setting="width"] input', "9")
        files: list[Any] = [
            {"name": name, "mimeType": "image/png", "buffer": (SAMPLES / "artworks" / name).read_bytes()}
            for name in artworks
        ]
        page.set_input_files(
            "input[type=file] >> nth=0",
            [*files, {"name": "notes.png", "mimeType": "image/png", "buffer": b"no picture"}],
        )
        page.click("text=Submit 4 files as a collection")
        page.wait_for_selector('.view[data-state="ended"]')
        page.wait_for_selector(".member .state.failed")
        assert "3 done, 1 failed" in page.inner_text("[role=status] strong")
        until(page, lambda: page.locator(".member .state.done").count() == 3)
        page.select_option("text=Order >> xpath=.. >> select", "error")

        def errors() -> list[float]:
            return [float(text.split()[1]) for text in page.locator(".member .figure").all_inner_texts() if text]

        until(page, lambda: len(errors()) == 3 and errors() == sorted(errors(), reverse=True))
        found = errors()
        page.fill("text=Error of at least >> xpath=.. >> input", str(found[1]))
        page.keyboard.press("Tab")
        until(page, lambda: errors() in (found[:1], found[:2]))  # as rounded
        page.fill("text=Error of at least >> xpath=.. >> input", "")
        page.check("input[name=state][value=failed]")
        until(page, lambda: page.locator(".member").count() == 1)
        assert "no known picture format" in page.inner_text(".member .wrong")
        page.click("text=Contact sheet")
        page.wait_for_selector("figure img")
        page.click("text=Play as a series")
        page.wait_for_selector('[data-frame="1"]')
        page.click("text=Next frame")
        page.wait_for_selector('[data-frame="2"]')
        assert "2 of 3: owl.png" in page.inner_text("details >> nth=1"), "in the order of their names"
        page.get_by_role("button", name="Play").click()
        page.wait_for_selector('[data-frame="1"]')
        page.get_by_role("button", name="Pause").click()
        traveller.seen(page, "collection")
        with page.expect_response("**/retry") as answer:
            page.click("text=Try 1 again")
        counts = answer.value.json()["counts"]
        assert counts["done"] == 3 and sum(counts.values()) == 4
        # It fails again at once, maybe before anybody has seen it at work: it is no picture still.
        address = f"/v1/collections/{page.url.rsplit('/', 1)[1]}"
        until(page, lambda: asked(page, address)["counts"]["failed"] == 1)
        until(page, lambda: "3 done, 1 failed" in page.inner_text("[role=status] strong"))


def a_list_of_thousands_has_only_the_rows_in_sight(traveller: Traveller) -> None:
    """Its rows come from a stand-in for the service, since thousands of jobs would take minutes."""
    with traveller.page(phone=True) as page:
        traveller.open(page)
        found = page.evaluate(
            """async () => {
              const { longList } = await import("/page/long_list.js");
              const asked = [];
              const list = longList({
                label: "many", height: 50,
                fetchPage: async (start, size) => {
                  asked.push(start);
                  return Array.from({ length: size }, (_, i) => `row ${start + i}`);
                },
                row: (entry) => document.createTextNode(entry),
              });
              document.body.append(list.root);
              list.reset(20000);
              const soon = () => new Promise((resolve) => setTimeout(resolve, 150));
              await soon();
              const first = { rows: list.made, text: list.root.innerText };
              for (const place of [3000, 6000, 9000, 12000, 15000]) {
                list.root.scrollTop = 50 * place;
                await soon();
              }
              const item = [...list.root.querySelectorAll("li")].find((one) => one.textContent === "row 15000");
              return { first, rows: list.made, asked, place: [item.ariaPosInSet, item.ariaSetSize] };
            }"""
        )
        assert found["first"]["rows"] < 60 and "row 0" in found["first"]["text"]
        assert found["rows"] < 60 and found["place"] == ["15001", "20000"]
        assert len(found["asked"]) <= 11 and {0, 15000} <= set(found["asked"])


def which_fab(traveller: Traveller) -> None:
    """The fabs as the API ranks them, each with its board; one is taken over, and the artwork comes recoloured."""
    with traveller.page() as page:
        traveller.open(page)
        page.click("text=Compare all fabs")
        page.wait_for_selector("text=Choose an artwork first.")
        page.fill('[data-setting="width"] input', "9")
        page.set_input_files("input[type=file] >> nth=0", SAMPLES / "artworks" / "small-rover.bmp")
        page.wait_for_selector(".draft[data-detail]")
        with page.expect_response("**/v1/plans") as answer:
            page.click("text=Compare all fabs")
        page.wait_for_selector(".plan[data-boards]")
        boards = answer.value.json()["boards"]
        shown = page.locator(".planner li[data-fab]")
        assert [one.get_attribute("data-fab") for one in shown.all()] == [one["fab"]["id"] for one in boards]
        first, last = shown.first.inner_text(), shown.last.inner_text()
        assert f"{boards[0]['expected_s_cielab']['mean']:.2f} ± {boards[0]['uncertainty']:.2f}: best" in first
        told = "can't be told" if boards[-1]["behind_best"]["as_good_as_best"] else "behind the best"
        assert told in last, "no more is claimed than the references let one say"
        page.locator(".planner").scroll_into_view_if_needed()
        until(page, lambda: bool(shown.first.locator("img").evaluate("(image) => image.naturalWidth > 0")))
        traveller.seen(page, "plan")
        with page.expect_download() as coming:
            page.click("text=Artwork in the best board's colours")
        assert coming.value.path().read_bytes()[1:4] == b"PNG"
        shown.last.get_by_role("button").click()
        assert page.input_value("select >> nth=0") == boards[-1]["fab"]["id"]


def a_panel(traveller: Traveller, owl: str) -> None:
    with traveller.page() as page:
        traveller.open(page, f"jobs/{owl}/panel")
        page.wait_for_selector("text=Make this board again, with files for the fab")
        art = {
            "name": "rover.bmp",
            "mimeType": "image/bmp",
            "buffer": (SAMPLES / "artworks" / "small-rover.bmp").read_bytes(),
        }
        asked_for = {"artwork": art, "fab": FAB, "width": "8mm", "pitch": "100um", "fabrication": "on"}
        made = page.request.post(f"{traveller.service.address}/v1/jobs", multipart=asked_for).json()["id"]
        traveller.open(page, f"jobs/{made}/panel")
        page.get_by_label("Panel's width in mm").fill("1")
        page.click("text=Lay them on a panel")
        page.locator(".trouble").wait_for()
        page.click("text=Back, to change the panel")
        page.get_by_label("Panel's width in mm").fill("60")
        page.get_by_label("Panel's height in mm").fill("50")
        page.get_by_label("How many").fill("4")
        page.click("text=Lay them on a panel")
        page.wait_for_selector("[data-shown=panel]")
        assert "60.0 × 50.0 mm, 4 pieces" in page.inner_text("[aria-label=Panel]")
        page.click("[aria-label=Pieces] button >> nth=3")
        settled(page)
        traveller.seen(page, "panel")
        traveller.open(page, "jobs")
        page.wait_for_selector("text=60 × 50 mm, 4 pieces")


def finish_card(page: Page, finish: str) -> Any:
    return page.locator(f'[data-finish="{finish}"]')


def changed(page: Page, what: Any) -> None:
    """Do something, and wait until the fab has another revision."""
    before = page.get_attribute(".view", "data-revision")
    what()
    until(page, lambda: page.get_attribute(".view", "data-revision") != before)


def editing_references(traveller: Traveller, owl: str) -> None:
    with traveller.page() as page:
        traveller.open(page, f"fabs/{FAB}?job={owl}")
        page.wait_for_selector(".view[data-revision]")
        page.fill("text=Your name, for the history >> xpath=.. >> input", "Ada")
        gold = finish_card(page, "gold")
        assert "assumed, not measured" in gold.inner_text() and "one reading" in gold.inner_text()
        gold.locator("summary").click()
        gold.locator("input[type=number]").first.fill("60")
        gold.get_by_text("Try it").click()
        gold.get_by_text("Mean error").wait_for()
        assert asked(page, f"/v1/fabs/{FAB}/revisions")["revisions"][0]["what"] == "installed", "a try saves nothing"
        changed(page, lambda: gold.get_by_text("Add as a measured reading").click())
        assert "measured, CIELAB or XYZ" in gold.inner_text() and "Lab 60.0" in gold.inner_text()
        assert "set aside" in gold.inner_text(), "an assumed reading counts no more beside a measured one"
        first = asked(page, f"/v1/fabs/{FAB}/revisions")["revisions"][0]
        assert (first["what"], first["by"]) == ("added a reading of gold", "Ada")
        changed(page, lambda: page.click("text=Undo: added a reading of gold"))
        assert "assumed, not measured" in gold.inner_text()

        # A file of spectra.
        bands = range(400, 701, 10)
        lines = ["finish,geometry,origin," + ",".join(map(str, bands))]
        lines += [
            "gold,45:0,measured," + ",".join(f"{level + (nm - 400) / 1000:.3f}" for nm in bands)
            for level in (0.2, 0.22)
        ]
        file = "\n".join(lines).encode()
        page.locator('[aria-label="Import readings"] input[type=file]').set_input_files(
            {"name": "gold.csv", "mimeType": "text/csv", "buffer": file}
        )
        changed(page, lambda: page.get_by_role("button", name="Import").click())
        page.wait_for_selector("text=gold: 2 added")
        assert "CIEDE2000 between its readings" in gold.inner_text()
        traveller.seen(page, "fab")


def two_people_who_edit_one_fab(traveller: Traveller) -> None:
    with traveller.page() as mine, traveller.page(dark=True) as theirs:
        for page, name in ((mine, "Ada"), (theirs, "Bob")):
            traveller.open(page, f"fabs/{FAB}")
            page.wait_for_selector(".view[data-revision]")
            page.fill("text=Your name, for the history >> xpath=.. >> input", name)
            finish_card(page, "legend").locator("summary").click()
        legend = finish_card(theirs, "legend")
        legend.locator("input[type=number]").first.fill("88")
        changed(theirs, lambda: legend.get_by_text("Set by hand", exact=True).click())

        finish_card(mine, "legend").locator("input[type=number]").first.fill("91")
        finish_card(mine, "legend").get_by_text("Add as a measured reading").click()
        told = mine.get_by_role("alertdialog")
        told.wait_for()
        assert "Bob set the reference of legend by hand" in told.inner_text()
        traveller.seen(mine, "fab-conflict")
        changed(mine, lambda: mine.click("text=Keep theirs, and add my edit"))
        kept = asked(mine, f"/v1/fabs/{FAB}/finishes/legend/readings")["finish"]
        assert kept["override"]["lab"][0] == 88 and kept["readings"][-1]["lab"][0] == 91


def a_photograph_of_a_coupon(traveller: Traveller) -> None:
    """The corners that are found can be moved, by keys as well; what is told is the leave-one-out error."""
    folder = SAMPLES / "photographs"
    with traveller.page() as page:
        traveller.open(page, f"fabs/{FAB}")
        page.click("text=Photograph of a coupon")
        files = page.locator("details.card input[type=file]")
        files.nth(0).set_input_files(folder / "crossed.jpg")
        files.nth(2).set_input_files(folder / "patch_map.json")
        page.click("text=Read the photograph")
        page.wait_for_selector(".leave-one-out")
        told = page.inner_text(".leave-one-out")
        corner = page.locator(".corner.coupon").first
        place = str(corner.get_attribute("aria-label"))
        corner.focus()
        page.keyboard.press("Shift+ArrowRight")
        moved = str(corner.get_attribute("aria-label"))
        assert int(moved.split()[-2].rstrip(",")) == int(place.split()[-2].rstrip(",")) + 10
        box = corner.bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + 8, box["y"] + 8)
        page.mouse.down()
        page.mouse.move(box["x"] + 12, box["y"] + 12)
        page.mouse.up()
        assert str(corner.get_attribute("aria-label")) != moved
        traveller.seen(page, "photograph")
        page.click("text=Read the photograph")
        page.wait_for_selector("text=A worker reads it", state="hidden")
        page.wait_for_selector(".leave-one-out, .trouble")
        assert told.startswith("Leave-one-out error: mean ")
        before = len(asked(page, f"/v1/fabs/{FAB}/finishes/gold/readings")["finish"]["readings"])
        page.wait_for_selector("text=readings to the fab")
        changed(page, lambda: page.click("text=readings to the fab"))
        assert len(asked(page, f"/v1/fabs/{FAB}/finishes/gold/readings")["finish"]["readings"]) > before


ALL_RULES = {"resultTypes": ["violations"]}
OF_LOOKS = {
    **ALL_RULES,
    "runOnly": {"type": "rule", "values": ["color-contrast", "target-size", "scrollable-region-focusable"]},
}
PLACES = (
    "submit",
    "jobs",
    "jobs/{owl}",
    "jobs/{owl}/tune",
    "jobs/{owl}/panel",
    "jobs/{owl}/take",
    "collections",
    "collections/{collection}",
    "fabs",
)


def for_everyone(traveller: Traveller, owl: str) -> None:
    """axe-core finds nothing (WCAG 2.2 A and AA, and its own best practices), in light and dark, wide and at 360 px.

    axe writes its own script into the page, so the page's policy is off in this journey alone.
    """
    with traveller.page(bypass_csp=True, reduced_motion="reduce") as page:
        traveller.open(page)
        collection = asked(page, "/v1/collections")["collections"][0]["id"]
        for place in [*(one.format(owl=owl, collection=collection) for one in PLACES), "fabs/alba-black"]:
            traveller.open(page, place)
            opened(page, place)
            for scheme, size, rules in (("light", DESKTOP, ALL_RULES), ("dark", PHONE, OF_LOOKS)):
                page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
                page.set_viewport_size(size)  # type: ignore[arg-type]
                settled(page)
                found = violations(page, rules)
                assert [(place, scheme, one["id"], one["nodes"][0]["html"][:200]) for one in found] == []
                assert page.evaluate("document.scrollingElement.scrollWidth") <= size["width"], place
            name = place.replace(owl, "owl").replace(collection, "one").replace("/", "-")
            traveller.seen(page, f"everyone-{name}")
            assert page.evaluate("document.getAnimations().length") == 0
            page.set_viewport_size(DESKTOP)  # type: ignore[arg-type]


def violations(page: Page, rules: dict[str, Any]) -> list[dict[str, Any]]:
    """What axe-core finds; its script is written into the page once, and stays while only places change."""
    if page.evaluate("() => !window.axe"):
        page.evaluate(Axe().axe_script)
    return list(page.evaluate("(options) => axe.run(options).then((found) => found.violations)", rules))


def opened(page: Page, place: str) -> None:
    """Wait for what comes later, and open what is closed."""
    if place.startswith("jobs/") and not place.endswith(("take", "panel")):
        page.wait_for_selector("[data-shown]")
    if place == "submit":
        page.select_option("select >> nth=0", FAB)
        page.fill('[data-setting="width"] input', "8")
        page.set_input_files("input[type=file] >> nth=0", SAMPLES / "artworks" / "small-rover.bmp")
        page.wait_for_selector(".draft[data-detail]")
        page.click("text=Compare all fabs")
        page.wait_for_selector(".plan[data-boards]")
    page.evaluate(
        "() => { for (const one of [...document.querySelectorAll('main details')].slice(-6)) one.open = true; }"
    )
    if place.startswith("fabs/"):
        page.wait_for_selector("text=Read the photograph")


def by_keyboard_alone(traveller: Traveller, owl: str) -> None:
    with traveller.page() as page:
        traveller.open(page, "jobs")
        page.wait_for_selector(f'[data-job="{owl}"]')

        def tab_to(what: str) -> None:
            for _ in range(80):
                page.keyboard.press("Tab")
                focused = page.locator(":focus")
                assert focused.count() == 1
                if focused.evaluate("(one, what) => one.matches(what)", what):
                    assert focused.evaluate("(one) => getComputedStyle(one).outlineStyle") != "none", (
                        "the focus is seen"
                    )
                    return
            raise AssertionError(f"no way to {what}")

        tab_to(".skip")
        page.keyboard.press("Enter")
        tab_to(f'[data-job="{owl}"] a')
        page.keyboard.press("Enter")
        page.wait_for_selector("[data-mode=board]")
        assert page.locator("h1:focus").inner_text() == "owl.png", "the focus follows to the new place"
        tab_to("canvas")
        before = float(str(page.get_attribute(".viewer", "data-zoom")))
        page.keyboard.press("+")
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=mm from the left")
        assert float(str(page.get_attribute(".viewer", "data-zoom"))) > before
        tab_to("input[type=range]")
        page.keyboard.press("Home")
        tab_to("input[name=mode]")
        page.keyboard.press("ArrowDown")
        page.wait_for_selector("[data-mode=finishes]")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("ArrowDown")
        page.wait_for_selector("[data-mode=error]")
        tab_to(".worst button")
        page.keyboard.press("Enter")
        traveller.seen(page, "keyboard")


def signing_in_with_a_key(traveller: Traveller, owl: str) -> None:
    """The last journey: from the first key on, all need one."""
    with traveller.page() as page:
        made = page.request.post(
            f"{traveller.service.address}/v1/keys", data={"owner": "local", "scopes": ["read", "submit"]}
        )
        key = made.json()["key"]
        page.goto(f"{traveller.service.address}/#/jobs/{owl}")
        page.get_by_label("Your key").fill("maskwright_wrong")
        page.keyboard.press("Enter")
        wrong = page.locator("#key-wrong")
        wrong.wait_for()
        assert "The key is wrong. Paste the whole key" in wrong.inner_text()
        assert "key-wrong" in str(page.get_attribute("#key", "aria-describedby"))
        traveller.seen(page, "sign-in")
        page.get_by_label("Your key").fill(key)
        page.keyboard.press("Enter")
        page.wait_for_selector("[data-mode=board]")
        (cookie,) = page.context.cookies()
        assert cookie["httpOnly"] and cookie["sameSite"] == "Strict" and page.evaluate("document.cookie") == ""
        page.goto(f"{traveller.service.address}/#/fabs/{FAB}")
        page.wait_for_selector(".finish")
        gold = finish_card(page, "gold")
        gold.locator("summary").click()
        gold.get_by_text("Set by hand", exact=True).click()
        gold.get_by_text("edit-fabs").first.wait_for()
        page.click("text=Sign out")
        page.get_by_label("Your key").wait_for()
        assert page.context.cookies() == []
        assert page.request.get(f"{traveller.service.address}/v1/jobs").status == 401


def art_beside_a_circuit(traveller: Traveller) -> None:
    """What the circuit's files don't say is said beside them, and asked for by the file's name."""
    unnamed = small_circuit()
    unnamed["three.gbr"] = unnamed["three.gbr"].replace(b"%TF.FileFunction,Legend,Top*%\n", b"")
    circuit = BytesIO()
    with zipfile.ZipFile(circuit, "w") as archive:
        for name, data in unnamed.items():
            archive.writestr(name, data)
    with traveller.page() as page:
        traveller.open(page)
        page.select_option("select >> nth=0", "meadow-tin")
        page.set_input_files("input[type=file] >> nth=0", SAMPLES / "artworks" / "owl.png")
        page.click("text=A working circuit on the same board")
        box = page.locator('[data-setting="circuit"]')
        box.locator("input").set_input_files(
            {"name": "small.zip", "mimeType": "application/zip", "buffer": circuit.getvalue()}
        )
        box.get_by_text("three.gbr of small.zip does not say which layer it is").wait_for()
        asking = page.locator(".layers-to-name")
        picture = asking.get_by_alt_text("What three.gbr draws")
        assert picture.evaluate("async image => (await image.decode(), image.naturalWidth)") > 100
        asking.get_by_label("three.gbr").select_option("Legend,Top")
        page.get_by_label("Net that the art may touch").select_option("GND")
        page.get_by_text("12.0 × 8.0 mm").wait_for()
        assert box.locator(".wrong").is_hidden()
        corner = page.get_by_label("Lower left corner of the artwork")
        corner.fill("here")
        page.get_by_text("Write two numbers, such as 20, 30.").wait_for()
        corner.fill("99, 99")
        beside = page.locator(".wrong", has_text="at 99, 99 mm, lies beside the board")
        beside.wait_for()
        corner.fill("9.5, 17")
        beside.wait_for(state="detached")
        page.click("button.main")
        page.wait_for_url("**/#/jobs/*")
        page.wait_for_selector("body [data-shown]")
        report = asked(page, f"/v1/jobs/{page.url.rsplit('/', 1)[1]}/files/report.json")
        assert report["circuit"]["net"] == "GND" and report["board"]["shape"] == "circuit"
        said_by = {file["name"]: file["said_by"] for file in report["circuit"]["files"]}
        assert said_by["three.gbr"] == "the user" and said_by["edge.gbr"] == "the file"


JOURNEYS: tuple[Callable[..., None], ...] = (
    the_first_view_is_small_and_comes_from_the_service_alone,
    submitting,
    dropping_a_few_artworks,
    following_a_result,
    looking,
    tuning_a_colour,
    taking_away,
    a_collection,
    a_list_of_thousands_has_only_the_rows_in_sight,
    which_fab,
    a_panel,
    editing_references,
    two_people_who_edit_one_fab,
    a_photograph_of_a_coupon,
    art_beside_a_circuit,
    for_everyone,
    by_keyboard_alone,
    signing_in_with_a_key,
)


def test_the_journeys(traveller: Traveller, subtests: pytest.Subtests) -> None:
    """In their order, in one process: each is told of by itself."""
    owl = ""
    for journey in JOURNEYS:
        with subtests.test(journey.__name__):
            if "owl" in journey.__annotations__:
                owl = owl or owl_of(traveller)
                journey(traveller, owl)
            else:
                journey(traveller)
