"""A share of all corpora as a sender sees them: over HTTP, through the queue, to the end of the job.

Every answer is a success or a problem document of 4xx in good words; every job ends done, or failed for a cause that
the sender can mend.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient

from service import asking
from service.body_limit import MAX_BODY_BYTES
from service.routes import photographs
from tests.engine.sweeps import sweep_size
from tests.hostile import artworks
from tests.hostile.damage import Case, broken
from tests.hostile.judging import fault_of_words
from tests.hostile.sound_pictures import sound_pictures
from tests.hostile.test_texts import BITS, BOARD, CGATS, CSV, CXF, FAB, MAP, ODD
from tests.service.fixtures import FAB as FAB_ID
from tests.service.fixtures import a_worker, backing, post, service
from worker.job_settings import SETTINGS
from worker.tasks import Bench


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """No worker runs beside it, so a question waits for no answer."""

    async def asked(*given: Any) -> Any:
        return await asking.ask(*given, seconds=0.0)

    with pytest.MonkeyPatch.context() as patch, service(tmp_path_factory.mktemp("data"), free_space_mb=0) as client:
        patch.setattr(photographs, "ask", asked)
        yield client


@pytest.fixture(scope="module")
def bench(client: TestClient, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    stand = backing(client)
    return Bench(ledger=stand.ledger, store=stand.store, tables=tmp_path_factory.mktemp("tables"), threads=1)


def fault_of_answer(response: Any, quoted: str) -> str:
    """What is wrong with an answer: "" for a success, and for a problem of the sender's, well told."""
    if response.status_code < 300:
        return ""
    if response.headers["content-type"] != "application/problem+json" or not 400 <= response.status_code < 500:
        return f"answered {response.status_code} {response.text[:200]}"
    return fault_of_words(response.json()["detail"], "and its mend", quoted)


def fault_of_job(job: Any, quoted: str) -> str:
    """What is wrong with a job that has ended."""
    if job["state"] == "done":
        return "" if job["error"] is None and job["score"]["s_cielab"]["mean"] >= 0.0 else "is done without a score"
    if job["state"] != "failed" or not 400 <= job["error"]["status"] < 500:
        return f"ended {job['state']}: {job['error']}"
    return fault_of_words(job["error"]["detail"], "and its mend", quoted)


def sampled(cases: list[Case], count: int) -> list[Case]:
    return cases[:: max(1, len(cases) // count)]


def test_artworks_to_the_end_of_their_jobs(client: TestClient, bench: Bench) -> None:
    chosen = [Case(name=name, data=data) for name, data in sound_pictures().items()][:: sweep_size(18, 1)]
    chosen += [case for case in sampled(list(artworks.cases(2)), sweep_size(30, 600)) if case.data]
    posted = {}
    faults = []
    for case in chosen:
        response = post(client, artwork=case.data, name=f"{case.name}.png", width="3mm", pitch="100um")
        faults.append((case.name, fault_of_answer(response, "")))
        posted[response.json()["id"]] = case
    while bench.work("batch", "test"):
        pass
    ends = set()
    for job_id, case in posted.items():
        job = client.get(f"/v1/jobs/{job_id}").json()
        faults.append((case.name, fault_of_job(job, case.data.decode("latin-1"))))
        ends.add(job["state"])
    assert [found for found in faults if found[1]] == []
    assert ends == {"done", "failed"}


def test_settings(client: TestClient) -> None:
    """Each odd value in each setting: said at once, and no job is made of what can't be right."""
    faults = []
    for number, name in enumerate(SETTINGS):
        for value in ODD[number % 3 :: sweep_size(3, 1)]:
            if "\ud800" in value:
                continue  # no program can send it
            response = post(client, **{name: value})
            faults.append((name, value[:20], fault_of_answer(response, value)))
    assert [found for found in faults if found[-1]] == []


def test_board_files_profiles_readings_and_photographs(client: TestClient, bench: Bench) -> None:
    count = sweep_size(2, 100)
    faults = []
    boards = list(broken("board", BOARD, cut=count, flip=count, lose=count)) + [
        Case(name=f"board with {bit[:9]!r}", data=BOARD[:60] + bit) for bit in BITS[:: sweep_size(3, 1)]
    ]
    for case in boards:
        files = {"artwork": ("a.png", b"artwork"), "board_file": ("b.toml", case.data)}
        response = client.post("/v1/jobs", files=files, data={"fab": FAB_ID})
        faults.append((case.name, fault_of_answer(response, case.data.decode("latin-1"))))
    fabs = list(broken("fab", FAB, cut=count, flip=count, lose=count)) + [
        Case(name=f"fab with {bit[:9]!r}", data=FAB + bit) for bit in BITS[:: sweep_size(3, 1)]
    ]
    for case in fabs:
        response = client.put("/v1/fabs/alba-black", content=case.data, headers={"If-Match": "*"})
        faults.append((case.name, fault_of_answer(response, case.data.decode("latin-1"))))
    with a_worker(client):
        for kind, sound in (("CSV", CSV), ("CGATS", CGATS), ("CxF", CXF)):
            for case in broken(kind, sound, cut=count, flip=count, lose=count):
                response = client.post(
                    f"/v1/fabs/{FAB_ID}/import", files={"file": ("r.txt", case.data)}, headers={"If-Match": "*"}
                )
                faults.append((case.name, fault_of_answer(response, case.data.decode("latin-1"))))
    for case in broken("map", MAP, cut=count, flip=count, lose=0):
        files = {"photo": ("p.jpg", b"photograph"), "map": ("m.json", case.data + b"}")}
        response = client.post(f"/v1/fabs/{FAB_ID}/photograph", files=files)
        faults.append((case.name, fault_of_answer(response, case.data.decode("latin-1"))))
    assert [found for found in faults if found[1]] == []


LONG = "9" * 5000


def test_odd_requests(client: TestClient) -> None:
    """Numbers too long to be one, names that are none, bodies that never end or are no JSON."""
    job = post(client).json()["id"]
    edit = {"If-Match": "*"}
    reading = f"/v1/fabs/{FAB_ID}/finishes/gold/readings"
    asked = [
        client.get(f"/v1/jobs/{job}/files", headers={"Range": f"bytes={LONG}-"}),
        client.get(f"/v1/jobs/{job}/package.zip", headers={"Range": f"bytes=-{LONG}", "If-Range": '"x"'}),
        client.get("/v1/jobs", params={"cursor": LONG}),
        client.get("/v1/jobs", params={"limit": LONG}),
        client.get(f"/v1/jobs/{'x' * 3000}"),
        client.get("/v1/jobs/%00"),
        client.get("/v1/fabs/%ff%fe"),
        client.get(f"/v1/fabs/{FAB_ID}", params={"revision": "\0"}),
        client.get("/v1/" + "a/" * 500),
        client.delete(f"{reading}/{LONG}", headers=edit),
        client.post(reading, content=b"[" * 100_000, headers={**edit, "Content-Type": "application/json"}),
        client.post(reading, content=b'{"reading": {"lab": [NaN, Infinity, 1e999]}}', headers=edit),
        client.post(reading, content=b'{"reading": {"lab": [' + LONG.encode() + b", 0, 0]}}", headers=edit),
        client.post(reading, content=b'{"by": "\\ud800"}', headers={**edit, "Content-Type": "application/json"}),
        client.post("/v1/jobs", content=b"\0" * 99, headers={"Content-Type": "multipart/form-data; boundary=x"}),
        client.post("/v1/jobs", content=b"--x\r\n" * 9999, headers={"Content-Type": "multipart/form-data; boundary=x"}),
        client.post("/v1/jobs", content=b"x", headers={"Content-Type": "multipart/form-data; boundary=" + "x" * 9000}),
        client.post("/v1/jobs", files={"artwork": ("\0/\x1b[31m" * 99, b"x")}, data={"fab": "x" * 4000}),
        client.post("/v1/jobs", files={f"f{i}": ("a", b"x") for i in range(300)}),
    ]
    assert [(each.url.path[:60], fault) for each in asked if (fault := fault_of_answer(each, ""))] == []


def test_a_job_is_followed_from_any_number(client: TestClient) -> None:
    job = post(client).json()["id"]
    client.delete(f"/v1/jobs/{job}")
    assert client.get(f"/v1/jobs/{job}/events", headers={"Last-Event-ID": LONG}).status_code == 200


@pytest.mark.parametrize("said", [True, False])
def test_a_body_is_never_taken_whole_beyond_the_limit(client: TestClient, said: bool) -> None:
    """With its length said, or without."""

    def endless() -> Iterator[bytes]:
        for _ in range(4 * MAX_BODY_BYTES // 65536):
            yield b" " * 65536

    content = b" " * (MAX_BODY_BYTES + 1) if said else endless()
    kind = {"Content-Type": "application/json", "If-Match": "*"}
    response = client.put(f"/v1/fabs/{FAB_ID}/finishes/gold/override", content=content, headers=kind)
    assert response.status_code == 413 and response.json()["code"] == "too-large"


def test_broken_photographs_to_the_end_of_their_questions(client: TestClient, bench: Bench) -> None:
    """No picture of these shows a coupon: each ends in words that say so, or that it is no picture."""
    names = ("PNG plain", "TIFF lzw", "JPEG cmyk")
    faults = []
    for case in [
        each for name in names for each in sampled(list(broken(name, sound_pictures()[name], cut=2, flip=2, lose=2)), 4)
    ]:
        if not case.data:
            continue
        files = {"photo": ("p.png", case.data), "map": ("m.json", MAP)}
        response = client.post(f"/v1/fabs/{FAB_ID}/photograph", files=files)
        faults.append((case.name, fault_of_answer(response, "")))
        while bench.work("interactive", "test"):
            pass
        job = client.get(response.headers["location"]).json()
        faults.append((case.name, fault_of_job(job, case.data.decode("latin-1"))))
    assert [found for found in faults if found[1]] == []
