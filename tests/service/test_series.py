"""Shared palettes and series over HTTP: what becomes of each piece, and the boards in motion, decoded by Pillow."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from PIL import Image

from tests.boards import board
from tests.moving_pictures import animated, flat_scene
from tests.service.fixtures import FAB, a_worker, is_problem, service
from tests.service.test_collections import artworks, ask, work
from worker.engine.series import Animation, convert_series
from worker.job_settings import read_settings

SCENES = [flat_scene(x, 40) for x in (2, 8, 14, 20)]
GIVEN = {"pitch": "100um", "width": "8mm", "edges": "threshold"}


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


def png(picture: np.ndarray) -> bytes:
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "PNG")
    return out.getvalue()


def test_an_animation_from_request_to_package(client: TestClient, tmp_path: Path) -> None:
    data = animated(SCENES, "GIF", [80, 160, 240, 120])
    asked = ask(client, {"walk.gif": data}, series="on", edges="threshold").json()
    assert asked["artworks"] == 4 and asked["counts"]["queued"] == 4
    work(client, tmp_path)
    listed = artworks(client, asked["id"])
    assert [one["path"] for one in listed] == [f"walk.gif-0{i}" for i in range(1, 5)]
    assert {one["job"]["kind"] for one in listed} == {"piece"} and {one["job"]["state"] for one in listed} == {"done"}
    assert listed[0]["job"]["result"]["stillness"] is None
    assert listed[1]["job"]["result"]["stillness"]["flickering_px"] == 0
    report = client.get(asked["links"]["report"].replace("html", "json")).json()
    assert report["stillness"]["share"] == 0.0 and report["stillness"]["unchanged_px"] > 5000
    # The same as the function for notebooks makes of it, in one process.
    settings = read_settings({**GIVEN, "palette": "shared"})
    pieces = list(convert_series(Animation(data, name="walk.gif"), board(FAB), settings))
    for one, piece in zip(listed, pieces, strict=True):
        labels = client.get(f"{one['job']['links']['files']}/labels.png").content
        assert piece.conversion is not None
        assert np.array_equal(np.asarray(Image.open(io.BytesIO(labels))), piece.conversion.separation.labels)
    with a_worker(client):
        for form, rate, times in (("webp", "", [80, 160, 240, 120]), ("gif", "?rate=10", [100] * 4)):
            got = client.get(f"{asked['links']['self']}/animation.{form}{rate}")
            assert got.headers["content-type"] == f"image/{form}"
            with Image.open(io.BytesIO(got.content)) as seen:
                found = []
                for number in range(seen.n_frames):
                    seen.seek(number)
                    seen.load()
                    found.append(round(seen.info["duration"]))
            assert found == times
        package = zipfile.ZipFile(io.BytesIO(client.get(asked["links"]["package"]).content))
        look_shows_the_board(client, listed[2]["job"])
    assert {"boards.webp", "boards.gif", "walk.gif-04/labels.png"} <= set(package.namelist())
    again = ask(client, {"walk.gif": data}, series="on", edges="threshold").json()
    assert again["reused"] == 4
    slower = ask(client, {"walk.gif": animated(SCENES, "GIF", 500)}, series="on", edges="threshold").json()
    assert slower["reused"] == 0


def look_shows_the_board(client: TestClient, job: Any) -> None:
    """What a closer look makes anew is the board that was delivered, with what it shared with others."""
    look = client.get(f"{job['links']['self']}/look").json()
    board, labels = look["pictures"]["board"], f"{job['links']['files']}/labels.png"
    seen = [np.asarray(Image.open(io.BytesIO(client.get(path).content))) for path in (board, labels)]
    assert np.array_equal(*seen)
    assert look["score"] == client.get(f"{job['links']['files']}/report.json").json()["score"]


def test_a_bad_artwork_in_the_middle(client: TestClient, tmp_path: Path) -> None:
    files = {f"f{n}.png": png(scene) for n, scene in zip((10, 2, 1), SCENES, strict=False)} | {"f3.png": b"no picture"}
    asked = ask(client, files, series="on", edges="threshold").json()
    work(client, tmp_path)
    listed = artworks(client, asked["id"])
    assert [one["path"] for one in listed] == ["f1.png", "f2.png", "f3.png", "f10.png"]
    assert [one["job"]["state"] for one in listed] == ["done", "done", "failed", "done"]
    assert listed[3]["job"]["result"]["stillness"]["flickering_px"] == 0


def test_one_palette_for_a_collection(client: TestClient, tmp_path: Path) -> None:
    """One colour, one finish: of artworks that, each alone, put it elsewhere; `palette = each` takes one out."""
    ramp = np.broadcast_to(np.linspace(0, 255, 64)[None, :, None] * [0.3, 1, 0.4], (32, 64, 3)).astype(np.uint8)
    other = np.broadcast_to(np.linspace(0, 255, 64)[None, :, None] * [1, 0.3, 0.9], (32, 64, 3)).astype(np.uint8)
    both = np.concatenate([ramp, other])
    files = {"a.png": png(ramp), "b.png": png(both), "bad.png": b"no picture", "own.png": png(ramp)}
    manifest = "artwork,palette\nown.png,each\n"
    asked = ask(client, files, manifest, palette="shared", clusters="4", clean_up="off", edges="threshold").json()
    assert asked["counts"]["queued"] == 4
    work(client, tmp_path)
    listed = {one["path"]: one["job"] for one in artworks(client, asked["id"])}
    assert [job["state"] for job in listed.values()] == ["done", "done", "failed", "done"]

    def top(name: str) -> np.ndarray:
        data = client.get(f"{listed[name]['links']['files']}/labels.png").content
        return np.asarray(Image.open(io.BytesIO(data)))[:10]

    assert np.array_equal(top("a.png"), top("b.png"))
    assert not np.array_equal(top("own.png"), top("b.png"))
    with a_worker(client):
        look_shows_the_board(client, artworks(client, asked["id"])[0]["job"])


@pytest.mark.parametrize(
    ("files", "data", "said"),
    [
        ({"one.png": png(SCENES[0])}, {"series": "on"}, "one frame"),
        ({"a.png": png(SCENES[0]), "b_9mm.png": png(SCENES[1])}, {"series": "on"}, "width"),
        ({"a.png": png(SCENES[0])}, {"series": "perhaps"}, "series is"),
        ({"a.gif": animated(SCENES, "GIF")}, {"series": "on", "still": "much"}, "still is"),
    ],
)
def test_what_can_be_no_series_is_said_at_once(
    client: TestClient, files: dict[str, bytes], data: dict[str, str], said: str
) -> None:
    answer = ask(client, files, **data)
    assert is_problem(answer, answer.status_code) and answer.status_code in (400, 422)
    assert said in answer.json()["detail"]


def test_no_motion_of_what_is_no_series(client: TestClient, tmp_path: Path) -> None:
    asked = ask(client, {"a.png": png(SCENES[0])}, edges="threshold").json()
    work(client, tmp_path)
    assert client.get(f"{asked['links']['self']}/animation.webp").status_code == 404
    assert client.get(f"{asked['links']['self']}/animation.mp4").status_code == 422
    alone = client.post(
        "/v1/jobs", files={"artwork": ("a.png", png(SCENES[0]))}, data={"fab": FAB, "palette": "shared"}
    )
    assert alone.status_code in (400, 422) and "collection" in alone.json()["detail"]
