"""Fabs over HTTP: read, add, edit without losing another's edit (RFC 9110 section 13 and RFC 6585 section 3)."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from tests.service.fixtures import FAB, is_problem, post, service
from worker.fab_profile import MAX_BYTES
from worker.settings import PROJECT

SAMPLES = sorted((PROJECT / "samples" / "fabs").glob("*.toml"))
TOML = (PROJECT / "samples" / "fabs" / f"{FAB}.toml").read_bytes()
ADDRESS = f"/v1/fabs/{FAB}"


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


def edited(text: str) -> bytes:
    return TOML + f"\n# {text}\n".encode()


def test_the_sample_fabs_are_there(client: TestClient) -> None:
    listed = client.get("/v1/fabs").json()["fabs"]
    assert [fab["id"] for fab in listed] == [path.stem for path in SAMPLES]
    assert all(fab["finishes"] and len(fab["finishes"][0]["readings"][0]["lab"]) == 3 for fab in listed)


def test_a_fab_is_given_back_byte_for_byte(client: TestClient) -> None:
    response = client.get(ADDRESS)
    assert response.content == TOML and response.headers["content-type"].startswith("application/toml")
    tag = response.headers["etag"]
    assert client.get(ADDRESS, headers={"If-None-Match": tag}).status_code == 304
    view = client.get(ADDRESS, headers={"Accept": "application/json"})
    assert view.json()["id"] == FAB and view.headers["etag"] != tag and view.headers["vary"] == "Accept"
    assert tag == f'"{view.json()["revision"]}"'
    assert is_problem(client.get("/v1/fabs/none"), 404, "none", "GET /v1/fabs")


def test_an_edit_needs_the_revision_that_it_started_from(client: TestClient) -> None:
    first = client.get(ADDRESS).headers["etag"]
    assert is_problem(client.put(ADDRESS, content=edited("a")), 428, "If-Match")
    done = client.put(ADDRESS, content=edited("a"), headers={"If-Match": first})
    assert done.status_code == 200 and done.headers["etag"] not in (first, "")
    assert client.get(ADDRESS).content == edited("a")
    assert is_problem(client.put(ADDRESS, content=edited("b"), headers={"If-Match": first}), 412, "Read it again")
    assert is_problem(client.put(ADDRESS, content=edited("b"), headers={"If-Match": f"W/{done.headers['etag']}"}), 412)
    assert client.get(ADDRESS).content == edited("a")
    assert client.put(ADDRESS, content=edited("c"), headers={"If-Match": "*"}).status_code == 200
    view = client.get(ADDRESS, headers={"Accept": "application/json"}).headers["etag"]
    assert client.put(ADDRESS, content=edited("d"), headers={"If-Match": view}).status_code == 200


def test_of_many_edits_at_once_one_wins(client: TestClient) -> None:
    first = client.get(ADDRESS).headers["etag"]
    with ThreadPoolExecutor(8) as pool:
        edits = [
            pool.submit(client.put, ADDRESS, content=edited(str(number)), headers={"If-Match": first})
            for number in range(8)
        ]
        statuses = sorted(edit.result().status_code for edit in edits)
    assert statuses == [200] + [412] * 7


def test_adding_a_fab(client: TestClient) -> None:
    mine = TOML.replace(f'"{FAB}"'.encode(), b'"my-fab"', 1)
    assert is_problem(client.put("/v1/fabs/my-fab", content=mine, headers={"If-Match": '"x"'}), 412, "does not exist")
    added = client.put("/v1/fabs/my-fab", content=mine, headers={"If-None-Match": "*"})
    assert added.status_code == 201 and added.headers["location"] == "/v1/fabs/my-fab"
    assert is_problem(client.put("/v1/fabs/my-fab", content=mine, headers={"If-None-Match": "*"}), 412, "exists")
    assert post(client, fab="my-fab").status_code == 202


def test_a_wrong_profile_is_refused_with_file_key_and_mend(client: TestClient) -> None:
    tag = {"If-Match": client.get(ADDRESS).headers["etag"]}
    assert is_problem(client.put("/v1/fabs/other", content=TOML), 422, "fab other", "id", FAB)
    assert is_problem(client.put(ADDRESS, content=b"plating = 1", headers=tag), 422, f"fab {FAB}", "missing")
    assert is_problem(client.put(ADDRESS, content=b"\xff", headers=tag), 422, "UTF-8")
    assert is_problem(client.put(ADDRESS, content=b"#" * (MAX_BYTES + 1), headers=tag), 413, f"{MAX_BYTES} bytes")
    assert client.get(ADDRESS).content == TOML


def test_a_job_keeps_the_exact_revision_that_it_used(client: TestClient) -> None:
    job = post(client).json()
    tag = client.get(ADDRESS).headers["etag"]
    client.put(ADDRESS, content=edited("a"), headers={"If-Match": tag})
    assert client.get(job["links"]["self"]).json()["fab"] == {"id": FAB, "revision": tag.strip('"')}
    assert client.get(job["links"]["fab"]).content == TOML
    assert post(client).json()["fab"]["revision"] != job["fab"]["revision"]


def test_an_edited_sample_fab_survives_the_next_start(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        client.put(ADDRESS, content=edited("mine"), headers={"If-Match": "*"})
    with service(tmp_path) as client:
        assert client.get(ADDRESS).content == edited("mine")
