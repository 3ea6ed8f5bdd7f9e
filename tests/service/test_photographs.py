"""`POST /v1/fabs/{id}/photograph`: the sample photographs through the queue, and everything that is refused at once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.service.fixtures import FAB, a_worker, is_problem, service
from worker.reading_files import ReadingDefaults, read_readings

SAMPLES = Path(__file__).parents[2] / "samples" / "photographs"
CROSSED, TENT, MAP = SAMPLES / "crossed.jpg", SAMPLES / "tent.jpg", SAMPLES / "patch_map.json"


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


def send(client: TestClient, *, accept: str = "*/*", fab: str = FAB, data: Any = None, **files: Path | bytes) -> Any:
    parts = {
        name: (f"{name}.bin", file) if isinstance(file, bytes) else (file.name, file.read_bytes())
        for name, file in files.items()
    }
    return client.post(f"/v1/fabs/{fab}/photograph", files=parts, data=data or {}, headers={"Accept": accept})


def test_two_photographs_give_readings_of_every_patch(client: TestClient, tmp_path: Path) -> None:
    with a_worker(client):
        response = send(client, photo=CROSSED, second=TENT, map=MAP, data={"batch": "order 7"})
    assert response.status_code == 200, response.text
    answer = response.json()
    assert len(answer["readings"]) == 30 and answer["warnings"] == []
    assert {one["photograph"] for one in answer["readings"] if one["finish"] in ("gold", "copper")} == {"tent.jpg"}
    first = answer["readings"][0]["reading"]
    assert (first["grade"], first["geometry"], first["illuminant"], first["batch"]) == (
        "photo",
        "photo",
        "D65",
        "order 7",
    )
    assert [one["name"] for one in answer["photographs"]] == ["crossed.jpg", "tent.jpg"]
    assert all(0 < one["mean"] <= 2 and len(one["marks"]["chart"]) == 4 for one in answer["photographs"])


def test_the_readings_as_csv_are_what_import_takes(client: TestClient, tmp_path: Path) -> None:
    with a_worker(client):
        response = send(client, photo=TENT, map=MAP, accept="text/csv")
    assert response.headers["content-type"].startswith("text/csv")
    named = read_readings(response.content, file_name="answer.csv", defaults=ReadingDefaults())
    assert len(named) == 30 and {item.reading.origin for item in named} == {"photo"}


def test_a_photograph_that_can_not_be_trusted_says_why(client: TestClient, tmp_path: Path) -> None:
    with a_worker(client):
        response = send(client, photo=TENT, map=MAP, data={"chart_corners": "10,10 200,10 200,150 10,150"})
    assert is_problem(response, 422, "tent.jpg", "not where its corners say", "--chart-corners")
    assert response.json()["code"] == "photograph"


@pytest.mark.parametrize(
    ("parts", "data", "words"),
    [
        ({"map": MAP}, {}, ("no photograph", "photo")),
        ({"photo": TENT}, {}, ("no patch map", "map")),
        ({"photo": TENT, "map": b""}, {}, ("no patch map",)),
        ({"photo": TENT, "map": b"{}"}, {}, ("map.bin", "schema_version")),
        ({"photo": TENT, "map": MAP}, {"corners": "1,2 3,4"}, ("corners is '1,2 3,4'", "four x,y")),
        ({"photo": TENT, "map": MAP}, {"corners": "nan,1 2,2 3,3 4,4"}, ("corners is", "four x,y")),
        ({"photo": TENT, "map": MAP}, {"second_corners": "1,1 2,1 2,2 1,2"}, ("second photograph",)),
        ({"photo": TENT, "map": MAP}, {"width": "60mm"}, ("no part 'width'", "chart_corners")),
        ({"photo": TENT, "map": MAP}, {"batch": "a\nb"}, ("batch", "one line")),
    ],
)
def test_a_wrong_request_is_refused_at_once(client: TestClient, parts: Any, data: Any, words: tuple[str, ...]) -> None:
    assert is_problem(send(client, data=data, **parts), 422, *words)
    assert client.get("/v1/jobs?kind=photograph").json()["jobs"] == []


def test_a_fab_that_is_not_there(client: TestClient) -> None:
    assert is_problem(send(client, fab="nowhere", photo=TENT, map=MAP), 404, "nowhere")
