"""Every error goes out as a problem document (RFC 9457), and none tells of the machine."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from service.errors import STATUS
from tests.service.fixtures import FAB, backing, is_problem, post, service
from worker import errors


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


def test_every_error_of_the_tree_has_a_status() -> None:
    for name, kind in vars(errors).items():
        if isinstance(kind, type) and issubclass(kind, errors.MaskwrightError):
            assert 400 <= STATUS[kind.code] <= 599, name


def test_what_is_not_there_and_what_may_not_be_done(client: TestClient) -> None:
    assert is_problem(client.get("/nothing"), 404, "/nothing", "/openapi.json")
    response = client.post("/v1/fabs")
    assert is_problem(response, 405, "POST", "GET") and response.headers["allow"] == "GET"


def test_a_fault_of_the_service_tells_nothing(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("secret place: /etc/nowhere")

    monkeypatch.setattr(backing(client).ledger.jobs, "get", broken)
    response = client.get("/v1/jobs/x")
    assert is_problem(response, 500, "report it")
    assert "secret" not in response.text and "Traceback" not in response.text


def test_readiness_names_the_part_that_is_away(client: TestClient) -> None:
    assert is_problem(client.get("/readyz"), 503, "broker") and client.get("/livez").status_code == 200
    assert client.get("/readyz").headers["retry-after"]


def test_a_database_that_is_gone_is_said_so(client: TestClient, tmp_path: Path) -> None:
    backing(client).ledger.close()
    for path in tmp_path.glob("ledger.sqlite*"):
        path.unlink()
    (tmp_path / "ledger.sqlite").mkdir()
    assert is_problem(post(client), 503, "database")


@pytest.mark.skipif(os.getuid() != 0, reason="needs root, to mount a small disk")
def test_a_full_disk_is_said_so_and_the_same_request_goes_through_once_there_is_room(tmp_path: Path) -> None:
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(tmp_path)], check=True)
    try:
        with service(tmp_path, free_space_mb=0) as client:
            assert is_problem(post(client, artwork=bytes(5_000_000), key="k"), 507, "full", "Free some space")
            filler = tmp_path / "filler"
            with pytest.raises(OSError), filler.open("wb", buffering=0) as file:
                while True:
                    file.write(bytes(4096))
            assert is_problem(post(client, key="k"), 507, "full")
            filler.unlink()
            assert post(client, key="k").status_code == 202
            assert len(client.get("/v1/jobs").json()["jobs"]) == 1
    finally:
        subprocess.run(["umount", str(tmp_path)], check=True)


def test_no_answer_lets_a_browser_guess_its_type(client: TestClient) -> None:
    for path in ("/livez", "/nothing", "/v1/fabs"):
        assert client.get(path).headers["x-content-type-options"] == "nosniff"


def test_a_problem_names_the_one_setting_that_it_is_about(client: TestClient) -> None:
    """Members of its own a problem document may have (RFC 9457, 3.2); none where it is about no single setting."""
    for wrong, setting in (({"width": "5000mm"}, "width"), ({"forbid": "silver"}, "forbid"), ({"fab": "no"}, "fab")):
        refused = post(client, **wrong)
        assert is_problem(refused, 422) and refused.json()["setting"] == setting
    files = {"artwork": ("one.png", b"one"), "circuit": ("circuit.zip", b"no archive")}
    refused = client.post("/v1/jobs", files=files, data={"fab": FAB, "width": "10mm"})
    assert is_problem(refused, 422, "no archive") and refused.json()["setting"] == "circuit"
    refused = client.post("/v1/collections", data={"fab": FAB, "width": "10mm"}, files={"archive": ("a.zip", b"")})
    assert refused.is_error and refused.json()["setting"] in ("archive", "artwork")
    assert "setting" not in client.get("/v1/jobs/x").json()
    assert client.get("/v1/jobs?limit=many").json()["setting"] == "limit"
