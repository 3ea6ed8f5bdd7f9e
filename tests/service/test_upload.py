"""Uploads: limits hold while the bytes stream in, and forms of any shape are read or refused."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from tests.service.fixtures import FAB, backing, is_problem, post, service

LIMIT = 1024 * 1024
BOUNDARY = "x-boundary"
FORM = {"Content-Type": f"multipart/form-data; boundary={BOUNDARY}"}


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path, max_upload_bytes=LIMIT) as client:
        yield client


def part(name: str, content: bytes, filename: str | None = None) -> bytes:
    """One part of a form (RFC 7578)."""
    extra = "" if filename is None else f'; filename="{filename}"'
    return f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="{name}"{extra}\r\n\r\n'.encode() + content + b"\r\n"


END = f"--{BOUNDARY}--\r\n".encode()


def test_the_limit_is_exact(client: TestClient) -> None:
    assert post(client, artwork=bytes(LIMIT)).status_code == 202
    assert is_problem(post(client, artwork=bytes(LIMIT + 1)), 413, str(LIMIT), "MASKWRIGHT_MAX_UPLOAD_BYTES")
    assert is_problem(post(client, artwork=bytes(9 * LIMIT)), 413)


def test_an_upload_that_is_too_large_leaves_nothing(client: TestClient, tmp_path: Path) -> None:
    begun = part("fab", FAB.encode()) + part("artwork", bytes(2 * LIMIT), "a.png")
    assert is_problem(client.post("/v1/jobs", content=begun, headers=FORM), 413)
    assert list((tmp_path / "store" / "spooled").iterdir()) == []
    assert list(backing(client).store.list("artworks")) == []


def test_a_form_cut_anywhere_is_an_error_and_leaves_nothing(client: TestClient, tmp_path: Path) -> None:
    whole = part("fab", FAB.encode()) + part("artwork", b"artwork", "a.png") + END
    assert client.post("/v1/jobs", content=whole, headers=FORM).status_code == 202
    for length in range(0, len(whole) - 4, 7):
        response = client.post("/v1/jobs", content=whole[:length], headers=FORM)
        assert 400 <= response.status_code < 500 and response.json()["detail"], length
    assert list((tmp_path / "store" / "spooled").iterdir()) == []


def test_chunks_may_break_anywhere(client: TestClient) -> None:
    whole = part("fab", FAB.encode()) + part("artwork", b"\r\n--x-bound\r\n", "a.png") + END
    response = client.post("/v1/jobs", content=(whole[i : i + 1] for i in range(len(whole))), headers=FORM)
    assert response.status_code == 202 and response.json()["artwork"]["bytes"] == 13


def test_the_artwork_may_come_first_or_last(client: TestClient) -> None:
    for parts in ((part("fab", FAB.encode()), part("artwork", b"a", "a.png")),
                  (part("artwork", b"a", "a.png"), part("fab", FAB.encode()))):  # fmt: skip
        assert client.post("/v1/jobs", content=b"".join(parts) + END, headers=FORM).status_code == 202


def test_other_bodies_are_refused(client: TestClient) -> None:
    assert is_problem(client.post("/v1/jobs", json={"fab": FAB}), 415, "multipart/form-data")
    assert is_problem(client.post("/v1/jobs", content=b"x", headers={"Content-Type": "multipart/form-data"}), 415)
    assert is_problem(client.post("/v1/jobs", content=b"no form at all", headers=FORM), 400)


def test_fields_have_limits_too(client: TestClient) -> None:
    assert is_problem(post(client, width="6" * 5000), 413, "width", "4096")
    assert is_problem(post(client, pin=["#000000=gold"] * 300), 413, "200 parts")
