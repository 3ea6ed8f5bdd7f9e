"""Plans over HTTP, with a worker at hand."""

from __future__ import annotations

import io
from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient
from PIL import Image

from tests.service.fixtures import a_worker, is_problem, service
from worker.settings import PROJECT

ROVER = (PROJECT / "samples" / "artworks" / "small-rover.bmp").read_bytes()
ORRERY = (PROJECT / "samples" / "artworks" / "orrery.svg").read_bytes()


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with service(tmp_path_factory.mktemp("plans")) as client, a_worker(client):
        yield client


def test_every_fab_is_ranked_and_shown(client: TestClient) -> None:
    known = {fab["id"] for fab in client.get("/v1/fabs").json()["fabs"]}
    made = client.post("/v1/plans", files={"artwork": ("rover.bmp", ROVER)}, data={"width": "30mm", "pitch": "100um"})
    assert made.status_code == 200
    plan = made.json()
    assert {board["fab"]["id"] for board in plan["boards"]} == known and plan["files"]["recoloured_svg"] is None
    means = [board["expected_s_cielab"]["mean"] for board in plan["boards"]]
    assert means == sorted(means) and plan["boards"][0]["place"] == 1
    for address in (*(one["picture"] for one in (*plan["boards"], *plan["advice"])), plan["files"]["boards"]):
        with Image.open(io.BytesIO(client.get(address).content)) as image:
            assert image.format == "PNG"
    assert "plan.html" in plan["files"]["page"] and client.get(plan["files"]["page"]).status_code == 200
    assert client.get("/v1/jobs").json()["jobs"] == [], "a plan is no job"


def test_named_fabs_alone_and_an_svg_as_a_drawing(client: TestClient) -> None:
    asked = {"width": "10mm", "pitch": "40um", "fab": ["alba-black", "meadow-tin"]}
    plan = client.post("/v1/plans", files={"artwork": ("orrery.svg", ORRERY)}, data=asked).json()
    assert {board["fab"]["id"] for board in plan["boards"]} == {"alba-black", "meadow-tin"}
    assert client.get(plan["files"]["recoloured_svg"]).content.lstrip().startswith(b"<")


def test_what_is_wrong_is_said(client: TestClient) -> None:
    art = {"artwork": ("rover.bmp", ROVER)}
    assert is_problem(client.post("/v1/plans", files=art, data={"width": "30mm", "fab": "none-such"}), 422, "none-such")
    assert is_problem(client.post("/v1/plans", files=art, data={"width": "30mm", "pin": "#ffffff=gold"}), 422, "pin")
    assert is_problem(client.post("/v1/plans", files=art, data={"width": "3 miles"}), 422, "3 miles")
    assert is_problem(client.post("/v1/plans", files={"artwork": ("a.png", b"no picture")}, data={"width": "9mm"}), 422)
    assert is_problem(client.post("/v1/plans", files={"x": ("a.png", b"")}), 422)
    assert is_problem(client.post("/v1/plans", data={"width": "30mm"}), 415)
