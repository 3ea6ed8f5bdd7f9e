"""Panels over HTTP: what is refused at once, and a panel made by a worker out of two jobs."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest
from fastapi.testclient import TestClient
from PIL import Image, ImageDraw

from tests.engine.conftest import MemoryTables
from tests.service.fixtures import FAB, backing, finish, is_problem, post, service
from worker.engine.panel.panel_report import panel_schema
from worker.engine.pipeline import convert
from worker.fab_profile import read_fab_profile
from worker.job_settings import read_settings
from worker.settings import PROJECT
from worker.tasks import Bench

PROFILE = read_fab_profile((PROJECT / "samples" / "fabs" / f"{FAB}.toml").read_bytes())
PANEL: dict[str, Any] = {"name": "two kinds", "size": [60, 40], "rails": {"top": 6, "bottom": 6}, "numbering": {}}


def result(colour: str) -> dict[str, bytes]:
    """A small disc with fabrication files, as a worker makes it."""
    picture = Image.new("RGB", (100, 100), "#101010")
    ImageDraw.Draw(picture).rectangle((30, 40, 60, 70), fill=colour)
    data = io.BytesIO()
    picture.save(data, "PNG")
    data.seek(0)
    settings = {"width": "10mm", "pitch": "50um", "board": "disc", "fabrication": "on", "edges": "threshold"}
    return dict(convert(data, PROFILE, read_settings(settings), name="disc.png", tables=MemoryTables()).files())


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with service(tmp_path_factory.mktemp("panels")) as client:
        yield client


@pytest.fixture(scope="module")
def jobs(client: TestClient) -> list[str]:
    """Two conversions with fabrication files, and one without."""
    made = []
    for name, files in (("a.png", result("#f0f0f0")), ("b.png", result("#d0b070")), ("c.png", {"report.json": b"{}"})):
        job = post(client, name.encode(), name).json()["id"]
        finish(client, job, files, {})
        made.append(job)
    return made


def ask(client: TestClient, *pieces: dict[str, Any], **other: Any) -> Any:
    return client.post("/v1/panels?lane=interactive", json={**PANEL, **other, "pieces": list(pieces)})


def test_a_panel_of_two_jobs_is_made_by_a_worker(client: TestClient, jobs: list[str]) -> None:
    posted = ask(client, {"job": jobs[0], "count": 2}, {"job": jobs[1], "count": "fill"})
    assert posted.status_code == 202, posted.text
    job = posted.json()
    assert (job["kind"], job["fab"]["id"], job["artwork"]) == ("panel", FAB, None)
    behind = backing(client)
    bench = Bench(ledger=behind.ledger, store=behind.store, tables=behind.environment.data_dir, threads=1)
    assert bench.work("interactive", "test")
    shown = client.get(posted.headers["location"]).json()
    assert shown["state"] == "done", shown["error"]
    report = client.get(f"{job['links']['files']}/report.json").json()
    jsonschema.validate(report, panel_schema())
    assert [one["count"] for one in report["counts"]["by_piece"]] == [2, shown["result"]["pieces"] - 2]
    assert report["counts"]["by_piece"][0]["piece"] == f"job {jobs[0]}"
    paths = {file["path"] for file in client.get(job["links"]["files"]).json()["files"]}
    assert {"panel.png", "fabrication/profile.gbr", "fabrication/two-kinds-fabrication.zip"} <= paths
    assert [one["id"] for one in client.get("/v1/jobs?kind=panel").json()["jobs"]] == [job["id"]]


def test_what_can_be_told_at_once_is(client: TestClient, jobs: list[str]) -> None:
    assert is_problem(ask(client, {"job": "0" * 32}), 404, "There is no job")
    assert is_problem(ask(client, {"collection": "0" * 32}), 404, "There is no collection")
    assert is_problem(
        ask(client, {"result": "folder"}), 422, "pieces[0]: result is of the command line", "name its job"
    )
    assert is_problem(ask(client, {"job": jobs[2]}), 422, "has no fabrication files", "fabrication = on")
    assert is_problem(ask(client, {"job": jobs[0]}, fab="alba-black"), 422, "its pieces were made for nocturne-gold")
    assert is_problem(ask(client, {"job": jobs[0]}, sizes=1), 422, "sizes: is not a known key")
    assert is_problem(client.post("/v1/panels", content=b"size = [1"), 422, "syntax")
    waiting = post(client, b"waits", "waits.png").json()["id"]
    assert is_problem(ask(client, {"job": waiting}), 409, "is queued", "that is done")


def test_a_collection_gives_its_artworks_in_their_order(client: TestClient, jobs: list[str]) -> None:
    """By the same names, bytes and settings, so it takes over the jobs of then; one of its artworks waits."""
    files = [("artwork", (name, name.encode())) for name in ("b.png", "a.png", "later.png")]
    collection = client.post("/v1/collections", files=files, data={"fab": FAB}).json()
    posted = ask(client, {"collection": collection["id"]})
    assert posted.status_code == 202, posted.text
    assert [one["job"] for one in posted.json()["settings"]["pieces"]] == [jobs[1], jobs[0]]
    client.delete(posted.json()["links"]["self"])
    waiting = client.post("/v1/collections", files=[("artwork", ("z.png", b"z"))], data={"fab": FAB}).json()
    assert is_problem(ask(client, {"collection": waiting["id"]}), 422, "no artwork of collection", "Wait for it")


def test_an_idempotency_key_stands_for_one_panel(client: TestClient, jobs: list[str]) -> None:
    body = {**PANEL, "pieces": [{"job": jobs[0]}]}
    first, again = (client.post("/v1/panels", json=body, headers={"Idempotency-Key": "k"}) for _ in range(2))
    assert (first.status_code, again.status_code) == (202, 200) and first.json()["id"] == again.json()["id"]
    other = client.post("/v1/panels", json={**body, "size": [70, 40]}, headers={"Idempotency-Key": "k"})
    assert is_problem(other, 422, "stands for another request")
