"""Results over HTTP: whole, in part, unchanged, and as one archive (RFC 9110 for ranges and conditions)."""

from __future__ import annotations

import hashlib
import io
import tracemalloc
import zipfile
from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient

from tests.service.fixtures import backing, finish, is_problem, post, service

MASK = bytes(range(256)) * 4096
FILES = {"masks/gold.png": MASK, "report.json": b'{"schema_version": 1}' * 100, "empty.png": b""}


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with service(tmp_path_factory.mktemp("data")) as client:
        yield client


@pytest.fixture(scope="module")
def job(client: TestClient) -> str:
    """The address of a finished job."""
    job = post(client, name="badge one.v2.png").json()
    finish(client, job["id"], FILES, {})
    address: str = job["links"]["self"]
    return address


def test_the_list_says_what_there_is(client: TestClient, job: str) -> None:
    listed = client.get(f"{job}/files").json()
    assert listed["state"] == "done" and [file["path"] for file in listed["files"]] == list(FILES)
    for file in listed["files"]:
        data = client.get(file["href"]).content
        assert data == FILES[file["path"]] and len(data) == file["bytes"]
        assert hashlib.sha256(data).hexdigest() == file["sha256"]


def test_a_job_that_is_not_done_has_no_files_and_no_package(client: TestClient, job: str) -> None:
    waiting = post(client).json()["links"]
    assert client.get(waiting["files"]).json() == {"state": "queued", "files": []}
    assert is_problem(client.get(waiting["package"]), 404, "queued", "done")
    client.delete(waiting["self"])


@pytest.mark.parametrize(
    ("asked", "first", "last"),
    [("bytes=0-0", 0, 0), ("bytes=10-19", 10, 19), ("bytes=1048570-", 1048570, 1048575), ("bytes=-6", 1048570, 1048575),
     ("bytes=0-99999999", 0, 1048575), ("bytes=-99999999", 0, 1048575)],
)  # fmt: skip
def test_a_range_gives_these_bytes(client: TestClient, job: str, asked: str, first: int, last: int) -> None:
    response = client.get(f"{job}/files/masks/gold.png", headers={"Range": asked})
    assert response.status_code == 206 and response.content == MASK[first : last + 1]
    assert response.headers["content-range"] == f"bytes {first}-{last}/{len(MASK)}"
    assert response.headers["content-length"] == str(last + 1 - first)


@pytest.mark.parametrize("asked", ["bytes=1048576-", "bytes=9999999-99999999", "bytes=-0"])
def test_a_range_beyond_the_end_is_not_satisfiable(client: TestClient, job: str, asked: str) -> None:
    response = client.get(f"{job}/files/masks/gold.png", headers={"Range": asked})
    assert is_problem(response, 416, asked, "0 to 1048575")
    assert response.headers["content-range"] == f"bytes */{len(MASK)}"


@pytest.mark.parametrize("asked", ["bytes=5-2", "bytes=0-1,4-5", "lines=1-2", "bytes=-", "bytes=a-b"])
def test_a_range_that_is_none_is_ignored(client: TestClient, job: str, asked: str) -> None:
    response = client.get(f"{job}/files/masks/gold.png", headers={"Range": asked})
    assert response.status_code == 200 and response.content == MASK


def test_entity_tags_and_conditions(client: TestClient, job: str) -> None:
    address = f"{job}/files/masks/gold.png"
    tag = client.get(address).headers["etag"]
    assert tag == f'"{hashlib.sha256(MASK).hexdigest()}"'
    for seen in (tag, f'"x", {tag}', f"W/{tag}", "*"):
        response = client.get(address, headers={"If-None-Match": seen})
        assert response.status_code == 304 and response.content == b"" and response.headers["etag"] == tag
    assert client.get(address, headers={"If-None-Match": '"x"'}).status_code == 200
    part = {"Range": "bytes=0-9"}
    assert client.get(address, headers={**part, "If-Range": tag}).status_code == 206
    assert client.get(address, headers={**part, "If-Range": f"W/{tag}"}).status_code == 200
    assert client.get(address, headers={**part, "If-Range": '"x"'}).status_code == 200


def test_head_says_the_same_without_the_content(client: TestClient, job: str) -> None:
    response = client.head(f"{job}/files/masks/gold.png")
    assert response.status_code == 200 and response.content == b""
    assert response.headers["content-length"] == str(len(MASK)) and response.headers["accept-ranges"] == "bytes"


@pytest.mark.parametrize("path", ["masks/none.png", "..%2F..%2Fledger.sqlite", "%2Fetc%2Fpasswd", "masks"])
def test_only_files_of_the_result_are_there(client: TestClient, job: str, path: str) -> None:
    assert is_problem(client.get(f"{job}/files/{path}"), 404, "lists its files")


def test_the_package_holds_every_file_in_one_folder(client: TestClient, job: str) -> None:
    response = client.get(f"{job}/package.zip")
    assert response.headers["content-type"] == "application/zip"
    assert response.headers["content-disposition"] == "attachment; filename*=UTF-8''badge%20one.v2.zip"
    with zipfile.ZipFile(io.BytesIO(response.content)) as archive:
        assert archive.testzip() is None
        assert {name: archive.read(name) for name in archive.namelist()} == {
            f"badge one.v2/{path}": data for path, data in FILES.items()
        }
    assert client.get(f"{job}/package.zip").content == response.content


def test_a_broken_download_of_the_package_goes_on_where_it_broke(client: TestClient, job: str) -> None:
    whole = client.get(f"{job}/package.zip")
    tag, half = whole.headers["etag"], len(whole.content) // 2
    rest = client.get(f"{job}/package.zip", headers={"Range": f"bytes={half}-", "If-Range": tag})
    assert rest.status_code == 206 and rest.content == whole.content[half:]
    assert whole.headers["content-length"] == str(len(whole.content))
    assert client.get(f"{job}/package.zip", headers={"If-None-Match": tag}).status_code == 304
    assert client.head(f"{job}/package.zip").headers["etag"] == tag


def test_a_large_result_never_stands_in_memory_whole(client: TestClient) -> None:
    job = post(client, name="large.png").json()
    finish(client, job["id"], {"large.png": bytes(200 * 1024 * 1024)}, {})
    tracemalloc.start()
    sent = 0
    store, package = backing(client).store, backing(client).ledger.jobs.package("local", job["id"])
    for chunk in store.read(package.key, 0, package.bytes):
        sent += len(chunk)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert sent == package.bytes > 200 * 1024 * 1024 and peak < 4 * 1024 * 1024


def test_a_file_that_the_store_has_lost_is_said_before_the_first_byte(client: TestClient) -> None:
    job = post(client, name="lost.png").json()
    finish(client, job["id"], {"report.json": b"{}"}, {})
    store = backing(client).store
    for stored in list(store.list(f"results/{job['id']}")):
        store.delete(stored.key)
    response = client.get(f"{job['links']['files']}/report.json")
    assert is_problem(response, 500, "gone", "Run the job again") and "/" not in response.json()["detail"]
