"""Collections over HTTP: what becomes of each artwork, and what is taken away, read by zipfile and Pillow."""

from __future__ import annotations

import csv
import errno
import io
import json
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from fastapi.testclient import TestClient
from PIL import Image

from service.collection_answers import seconds_to_go
from service.collection_submission import KeptFiles
from service.routes import collection_results as room
from tests.service.fixtures import FAB, a_worker, backing, is_problem, service
from worker.ledger.collections import Standing
from worker.settings import PROJECT
from worker.tasks import Bench

SAMPLES = PROJECT / "samples" / "artworks"
BADGE = (SAMPLES / "quillmere-badge.png").read_bytes()
ROVER = (SAMPLES / "small-rover.bmp").read_bytes()
COARSE = {"fab": FAB, "pitch": "100um", "width": "8mm"}


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


def ask(client: TestClient, files: dict[str, bytes], manifest: str = "", key: str = "", **data: Any) -> Any:
    parts: list[Any] = [("artwork", (path, content)) for path, content in files.items()]
    if manifest:
        parts.append(("manifest", ("m.csv", manifest.encode())))
    headers = {"Idempotency-Key": key} if key else {}
    return client.post("/v1/collections", files=parts, data={**COARSE, **data}, headers=headers)


def zipped(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for path, content in files.items():
            archive.writestr(path, content)
    return out.getvalue()


def work(client: TestClient, tables: Path) -> None:
    """Do all batch jobs that wait."""
    behind = backing(client)
    bench = Bench(ledger=behind.ledger, store=behind.store, tables=tables, threads=2)
    while bench.work("batch", "test"):
        pass


def artworks(client: TestClient, collection: str, query: str = "") -> list[Any]:
    found: list[Any] = client.get(f"/v1/collections/{collection}/artworks{query}").json()["artworks"]
    return found


def test_a_collection_from_request_to_package(client: TestClient, tmp_path: Path) -> None:
    files = {
        "birds/badge.png": BADGE,
        "birds/badge_6mm.png": BADGE,
        "rover.bmp": ROVER,
        "birds/broken.png": b"no picture",
        "empty.png": b"",
        "wide.png": BADGE,
        "notes.txt": b"remember",
    }
    manifest = "artwork,width,forbid\nrover.bmp,7mm,gold\nwide.png,as wide as can be,\n"
    parts = {"archive": ("birds.zip", zipped(files)), "manifest": ("m.csv", manifest.encode())}
    response = client.post("/v1/collections", files=parts, data=COARSE)
    assert response.status_code == 202, response.text
    asked = response.json()
    assert response.headers["location"] == asked["links"]["self"] and asked["name"] == "birds.zip"
    assert asked["counts"] == {"queued": 4, "running": 0, "done": 0, "failed": 0, "cancelled": 0, "refused": 2}
    assert asked["skipped"] == ["notes.txt"] and asked["seconds_to_go"] is None and asked["state"] == "working"
    work(client, tmp_path)
    ended = client.get(asked["links"]["self"]).json()
    assert ended["state"] == "ended" and ended["ended"] and ended["seconds_to_go"] == 0.0
    assert ended["counts"] == {"queued": 0, "running": 0, "done": 3, "failed": 1, "cancelled": 0, "refused": 2}
    by_path = {one["path"]: one for one in artworks(client, asked["id"])}
    assert list(by_path) == [path for path in files if path != "notes.txt"]
    widths = {path: by_path[path]["job"]["result"]["width_mm"] for path in list(by_path)[:3]}
    assert widths == {"birds/badge.png": 8.0, "birds/badge_6mm.png": 6.0, "rover.bmp": 7.0}
    assert "gold" not in {each["id"] for each in by_path["rover.bmp"]["job"]["result"]["finishes"]}
    assert "empty" in by_path["empty.png"]["error"]["detail"]
    assert "as wide as can be" in by_path["wide.png"]["error"]["detail"]
    assert "Save the artwork as PNG" in by_path["birds/broken.png"]["job"]["error"]["detail"]
    assert [one["path"] for one in artworks(client, asked["id"], "?state=refused")] == ["empty.png", "wide.png"]
    assert [one["path"] for one in artworks(client, asked["id"], "?state=failed")] == ["birds/broken.png"]

    worst = [one["path"] for one in artworks(client, asked["id"], "?order=error")]
    errors = {path: one["job"]["score"]["s_cielab"]["mean"] for path, one in by_path.items() if path in worst[:3]}
    assert worst[:3] == sorted(errors, key=lambda path: -errors[path])
    report = client.get(asked["links"]["report"].replace("html", "json")).json()
    assert [row["path"] for row in report["worst"]] == worst[:3]
    assert [row["path"] for row in report["artworks"]] == worst
    assert all(row["fault"] and row["mend"] for row in report["artworks"][3:])

    with a_worker(client):
        sheet = client.get(asked["links"]["contact_sheet"])
        page = client.get(asked["links"]["report"])
    package = client.get(asked["links"]["package"])  # no worker is there: the pictures are those that were asked for
    with Image.open(io.BytesIO(sheet.content)) as picture:
        assert picture.format == "PNG" and picture.width > 3 * 160
    assert "<script" not in page.text and all(path in page.text for path in by_path)
    with zipfile.ZipFile(io.BytesIO(package.content)) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        assert {"report.json", "report.html", "contact-sheet-1.png"} <= set(names)
        assert archive.read("contact-sheet-1.png") == sheet.content
        for path, folder in (("birds/badge.png", "birds/badge"), ("rover.bmp", "rover")):
            job = by_path[path]["job"]["id"]
            for file in client.get(f"/v1/jobs/{job}/files").json()["files"]:
                assert archive.read(f"{folder}/{file['path']}") == client.get(file["href"]).content
        links = [unquote(link) for link in re.findall(r'href="([^"]+)"', archive.read("report.html").decode())]
        assert "birds/badge_6mm/comparison.png" in links and set(links) <= set(names), "the page needs no service"
        packed = json.loads(archive.read("report.json"))["worst"]
        assert [row.pop("result") for row in packed] == [f"{row['path'].rpartition('.')[0]}/" for row in packed]
    links = re.findall(r'href="([^"]+)"', page.text)
    assert len(links) == 7 and all(client.get(link).status_code == 200 for link in links if "sheet" not in link)
    for row in report["worst"]:
        assert client.get(f"{row.pop('result')}report.json").status_code == 200
    assert packed == report["worst"]
    event = client.get(asked["links"]["events"]).text
    assert event.startswith("event: collection") and '"state":"ended"' in event


def test_asked_for_again_only_what_changed_is_converted(client: TestClient, tmp_path: Path) -> None:
    files = {"a.png": BADGE, "b.bmp": ROVER, "c.png": b"no picture"}
    first = ask(client, files).json()
    jobs = {one["path"]: one["job"]["id"] for one in artworks(client, first["id"])}
    same = ask(client, files).json()
    assert same["reused"] == 3 and same["id"] != first["id"], "also while they wait"
    work(client, tmp_path)
    again = ask(client, {**files, "d.png": BADGE}, "artwork,width\nb.bmp,5mm\n").json()
    now = {one["path"]: one["job"]["id"] for one in artworks(client, again["id"])}
    assert now["a.png"] == jobs["a.png"] and again["reused"] == 1
    assert now["b.bmp"] != jobs["b.bmp"], "its settings changed"
    assert now["c.png"] != jobs["c.png"], "it failed"
    assert again["counts"]["queued"] == 3
    ended = [one["path"] for one in artworks(client, first["id"]) if one["job"]["state"] == "done"]
    assert ended == ["a.png", "b.bmp"] and ask(client, {"a.png": BADGE, "b.bmp": ROVER}).json()["reused"] == 2
    collections = backing(client).ledger.collections
    made_by, collections.program = collections.program, "a newer one"
    assert ask(client, {"a.png": BADGE, "b.bmp": ROVER}).json()["reused"] == 0, "the program changed"
    collections.program = made_by
    toml = client.get(f"/v1/fabs/{FAB}").content
    client.put(f"/v1/fabs/{FAB}", content=toml + b"# another\n", headers={"If-Match": "*"})
    assert ask(client, files).json()["reused"] == 0, "the fab's revision changed"


def test_a_key_stands_for_one_collection(client: TestClient) -> None:
    first = ask(client, {"a.png": BADGE}, key="once")
    again = ask(client, {"a.png": BADGE}, key="once")
    assert (first.status_code, again.status_code) == (202, 200) and first.json()["id"] == again.json()["id"]
    assert is_problem(ask(client, {"a.png": ROVER}, key="once"), 422, "another request", first.json()["id"])
    assert len(client.get("/v1/collections").json()["collections"]) == 1


def test_two_sides_and_a_board_of_its_own(client: TestClient, tmp_path: Path) -> None:
    files = {
        "top.png": BADGE,
        "back/top.png": ROVER,
        "hole.toml": b"[[cut_outs]]\ncircle = [4, 4, 2]\n",
        "odd.toml": b"[[cut_outs]]\ncircle = 4\n",
        "b.png": BADGE,
        "c.png": BADGE,
    }
    manifest = "artwork,bottom,board_file\ntop.png,back/top.png,\nb.png,,hole.toml\nc.png,,odd.toml\n"
    asked = ask(client, files, manifest, width="9mm").json()
    work(client, tmp_path)
    top, with_hole, odd = artworks(client, asked["id"])
    assert top["job"]["bottom"]["name"] == "top.png" and len(top["job"]["result"]["sides"]) == 2
    labels = f"/v1/jobs/{with_hole['job']['id']}/files/labels.png"
    with Image.open(io.BytesIO(client.get(labels).content)) as picture:
        assert picture.getpixel((40, picture.height - 41)) == 255, "the cut-out, 4 mm from the left and from below"
    assert odd["job"] is None and "odd.toml" in odd["error"]["detail"] and "circle" in odd["error"]["detail"]


@pytest.mark.parametrize(
    ("files", "manifest", "data", "words"),
    [
        ({}, "", {}, ("no artwork", "archive")),
        ({"a.png": BADGE}, "artwork\nb.png\n", {}, ("row 2", "b.png", "a.png")),
        ({"a.png": BADGE}, "artwork,colour\n", {}, ("colour", "Known")),
        ({"a.png": BADGE}, "", {"fab": "nobody"}, ("nobody",)),
        ({"a.png": BADGE}, "", {"colour": "red"}, ("colour", "manifest")),
        ({"a.png": BADGE}, "", {"name": "x" * 201}, ("200 letters",)),
        ({"a.png": BADGE}, "", {"edges": "round"}, ("edges", "threshold")),
        ({"a.png": BADGE}, "", {"forbid": "velvet"}, ("velvet",)),
        ({"a.png": BADGE}, "artwork,skip\na.png,on\n", {}, ("None of the files",)),
    ],
)
def test_what_is_wrong_with_all_is_said_at_once(
    client: TestClient, files: dict[str, bytes], manifest: str, data: dict[str, str], words: tuple[str, ...]
) -> None:
    parts: list[Any] = [("artwork", (path, content)) for path, content in files.items()]
    parts.append(("manifest", ("m.csv", (manifest or "artwork\n").encode())))
    response = client.post("/v1/collections", files=parts, data={**COARSE, **data})
    assert is_problem(response, 422, *words)
    assert client.get("/v1/collections").json()["collections"] == []
    assert client.get("/v1/jobs").json()["jobs"] == []


def test_two_files_of_one_path_and_an_archive_that_is_none(client: TestClient) -> None:
    parts = [("artwork", ("a.png", BADGE)), ("artwork", ("a.png", ROVER))]
    assert is_problem(client.post("/v1/collections", files=parts, data=COARSE), 422, "two files", "a.png")
    broken = client.post("/v1/collections", files={"archive": ("a.zip", b"PK\x03\x04nothing")}, data=COARSE)
    assert is_problem(broken, 422, "a.zip", "Pack it anew")
    assert is_problem(client.get("/v1/collections/none"), 404, "none")
    assert is_problem(client.get("/v1/collections/none/package.zip"), 404, "none")


def test_a_whole_collection_is_stopped_but_not_what_it_took_over(client: TestClient, tmp_path: Path) -> None:
    first = ask(client, {"a.png": BADGE}).json()
    second = ask(client, {"a.png": BADGE, "b.bmp": ROVER}).json()
    stopped = client.delete(f"/v1/collections/{second['id']}").json()
    assert stopped["counts"]["cancelled"] == 1 and stopped["counts"]["queued"] == 1
    work(client, tmp_path)
    assert client.get(f"/v1/collections/{first['id']}").json()["counts"]["done"] == 1


def test_more_than_may_wait_is_refused_whole(tmp_path: Path) -> None:
    with service(tmp_path, owner_waiting_jobs=3) as client:
        assert is_problem(ask(client, {f"{i}.png": BADGE for i in range(4)}), 429, "4 jobs", "Split")
        assert ask(client, {f"{i}.png": BADGE for i in range(2)}).status_code == 202
        response = ask(client, {f"{i}.bmp": ROVER for i in range(2)})
        assert is_problem(response, 429, "2 jobs", "2 more") and response.headers["retry-after"]


def test_thousands_are_listed_in_pages_and_shown_on_sheets(
    client: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "SHEET_ENTRIES", 2)
    small = io.BytesIO()
    Image.new("RGB", (4, 4), (200, 30, 30)).save(small, "PNG")
    rows = io.StringIO()
    csv.writer(rows).writerows([["artwork", "width"], *([f"{i}.png", f"{i + 1}mm"] for i in range(5))])
    asked = ask(client, {f"{i}.png": small.getvalue() for i in range(5)}, rows.getvalue()).json()
    work(client, tmp_path)
    found, address = [], f"/v1/collections/{asked['id']}/artworks?limit=2&state=done"
    while address:
        page = client.get(address).json()
        found += [one["path"] for one in page["artworks"]]
        address = page["next"]
    assert found == [f"{i}.png" for i in range(5)]
    with a_worker(client):
        pages, address = 0, asked["links"]["contact_sheet"]
        while address:
            sheet = client.get(address)
            assert sheet.status_code == 200
            pages += 1
            address = sheet.headers["link"].partition("<")[2].partition(">")[0] if "link" in sheet.headers else ""
        assert pages == 3
        assert is_problem(client.get(f"{asked['links']['contact_sheet']}?page=4"), 404, "no page 4")


def test_collections_are_listed_newest_first(client: TestClient) -> None:
    ids = [ask(client, {"a.png": BADGE}, name=f"n{i}").json()["id"] for i in range(3)]
    page = client.get("/v1/collections?limit=2").json()
    rest = client.get(page["next"]).json()
    assert [one["id"] for one in page["collections"] + rest["collections"]] == ids[::-1] and rest["next"] is None


def test_the_time_to_go_is_the_pace_so_far() -> None:
    def standing(ended: int, began: float | None) -> Standing:
        return Standing(counts={}, reused=0, began=began, ended=None, own_ended=ended, moment=1100.0)

    assert seconds_to_go(standing(10, 1000.0), 25) == 250.0
    assert seconds_to_go(standing(0, 1000.0), 25) is None
    assert seconds_to_go(standing(0, None), 25) is None
    assert seconds_to_go(standing(7, 1000.0), 0) == 0.0


def test_a_disk_that_fills_while_an_archive_is_unpacked_is_no_damage_of_its_files(client: TestClient) -> None:
    """All is refused then, and can be sent again: no artwork is put down as one that can't be read."""

    class Full(io.BytesIO):
        def write(self, data: Any) -> int:
            raise OSError(errno.ENOSPC, "No space left on device")

    kept = KeptFiles(backing(client).store)
    kept.open = Full  # type: ignore[method-assign]
    with pytest.raises(OSError, match="No space"):
        kept.unpack(io.BytesIO(zipped({"a.png": BADGE})), "a.zip", 1 << 20)
    assert kept.faults == {} and kept.paths == []


def test_what_failed_or_was_stopped_is_tried_again_and_nothing_else(client: TestClient, tmp_path: Path) -> None:
    made = ask(client, {"sound.png": BADGE, "broken.png": b"no picture", "empty.png": b""}).json()
    path = made["links"]["self"]
    work(client, tmp_path)
    before = {one["path"]: one for one in client.get(f"{path}/artworks").json()["artworks"]}
    assert client.get(path).json()["counts"] == dict.fromkeys(made["counts"], 0) | {
        "done": 1,
        "failed": 1,
        "refused": 1,
    }
    again = client.post(f"{path}/retry").json()
    assert again["state"] == "working" and again["counts"]["queued"] == 1
    after = {one["path"]: one for one in client.get(f"{path}/artworks").json()["artworks"]}
    for name in ("sound.png", "empty.png"):
        assert after[name] == before[name]
    old, new = before["broken.png"]["job"], after["broken.png"]["job"]
    assert old["id"] != new["id"] and (old["settings"], old["artwork"]) == (new["settings"], new["artwork"])
    client.delete(path)
    assert client.post(f"{path}/retry").json()["counts"]["queued"] == 1, "what was stopped, too"
    work(client, tmp_path)
    assert client.get(path).json()["counts"]["failed"] == 1
    assert client.post(f"{path}/retry").json()["counts"]["queued"] == 1
    assert is_problem(client.post(f"/v1/collections/{'0' * 32}/retry"), 404)
