"""What is refused before it is taken: one job too many of an owner, and uploads that the disk has no room for."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sql
from fastapi.testclient import TestClient

from tests.service.fixtures import FAB, backing, is_problem, make_key, post, service
from worker.ledger.queue_room import PACE_SECONDS, UNKNOWN_PACE_SECONDS
from worker.ledger.tables import jobs, now

MB = 1_000_000


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path, owner_waiting_jobs=3, owner_waiting_questions=2) as client:
        yield client


def spooled(client: TestClient) -> list[Path]:
    """Everything that uploads have left in the store."""
    store = backing(client).environment.data_dir / "store"
    return [path for path in store.rglob("*") if path.is_file()]


def test_one_job_too_many_is_refused_and_there_is_room_again_when_one_has_gone(client: TestClient) -> None:
    """429 and Retry-After: RFC 6585, section 4, and RFC 9110, 10.2.3."""
    first, *_ = [post(client, key=f"k{number}").json()["id"] for number in range(3)]
    before = spooled(client)
    refused = post(client, key="k3", artwork=b"another artwork")
    assert is_problem(refused, 429, "3 jobs of owner local", "Ask again", "same Idempotency-Key")
    assert refused.headers["retry-after"] == str(UNKNOWN_PACE_SECONDS) and refused.headers["connection"] == "close"
    assert spooled(client) == before and len(client.get("/v1/jobs").json()["jobs"]) == 3
    assert post(client, key="k1").status_code == 200, "a repeated request makes no job"
    assert client.delete(f"/v1/jobs/{first}").status_code == 200
    assert post(client, key="k3", artwork=b"another artwork").status_code == 202
    assert post(client, key="k4").status_code == 429


def test_an_upload_is_refused_before_it_is_read(client: TestClient) -> None:
    for _ in range(3):
        post(client)

    def endless() -> Iterator[bytes]:
        pytest.fail("the body was read")
        yield b""

    headers = {"Content-Type": "multipart/form-data; boundary=b"}
    assert client.post("/v1/jobs", content=endless(), headers=headers).status_code == 429


def test_owners_have_limits_of_their_own_and_running_jobs_do_not_count(client: TestClient) -> None:
    for _ in range(3):
        post(client)
    assert backing(client).ledger.jobs.claim("batch", "task") is not None
    assert post(client).status_code == 202 and post(client).status_code == 429
    ada = make_key(client, "ada")
    files = {"artwork": ("a.png", b"artwork")}
    for status in (202, 202, 202, 429):
        assert client.post("/v1/jobs", files=files, data={"fab": FAB}, headers=ada).status_code == status


def test_jobs_that_wait_keep_nobody_from_asking_and_questions_have_their_own_limit(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    from service.asking import ask

    assert ask.__kwdefaults__ is not None
    monkeypatch.setitem(ask.__kwdefaults__, "seconds", 0.0)
    for _ in range(3):
        post(client)
    lights = ("D50/2", "D55/2", "D65/2", "D75/2")
    answers = [client.get(f"/v1/fabs/{FAB}/references", params={"viewing_conditions": light}) for light in lights]
    assert [answer.status_code for answer in answers] == [202, 202, 429, 429]
    assert is_problem(answers[2], 429, "2 questions")
    photograph = client.post(f"/v1/fabs/{FAB}/photograph", files={"photo": ("a.jpg", b"x")})
    assert is_problem(photograph, 429, "2 questions")


@pytest.mark.parametrize(
    ("ages", "seconds"),
    [
        ((), UNKNOWN_PACE_SECONDS),
        ((100.0, 60.0, 20.0, 10.0), 25),  # four in the last 100 s: one in 25
        ((PACE_SECONDS + 50, 90.0), 90),  # the first ended too long ago to count
        ((0.5, 0.4, 0.3), 1),
    ],
)
def test_retry_after_is_the_pace_of_the_owners_own_jobs(
    client: TestClient, ages: tuple[float, ...], seconds: int
) -> None:
    for age in ages:
        job = post(client).json()["id"]
        client.delete(f"/v1/jobs/{job}")
        end(client, job, age)
    for _ in range(3):
        post(client)
    told = int(post(client).headers["retry-after"])
    assert seconds <= told <= seconds + 1 + 10 / max(1, len(ages)), "a slow machine adds its own delay"


def end(client: TestClient, job: str, seconds_ago: float) -> None:
    with backing(client).ledger.database.writing() as connection:
        connection.execute(sql.update(jobs).where(jobs.c.id == job).values(finished=now() - seconds_ago))


def test_no_limit_is_no_limit(tmp_path: Path) -> None:
    with service(tmp_path, owner_waiting_jobs=0) as client:
        assert [post(client).status_code for _ in range(5)] == [202] * 5


def disk_with(monkeypatch: pytest.MonkeyPatch, free: int) -> None:
    usage = shutil.disk_usage("/")._replace(free=free)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)


def test_an_upload_that_the_disk_has_no_room_for_is_refused_before_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """507: RFC 4918, 11.5."""
    with service(tmp_path, free_space_mb=100) as client:
        disk_with(monkeypatch, 101 * MB)
        assert post(client, key="a").status_code == 202
        before = spooled(client)
        refused = post(client, key="b", artwork=bytes(2 * MB))
        assert is_problem(refused, 507, "101 MB", "100 MB", "2.0 MB", "MASKWRIGHT_FREE_SPACE_MB")
        assert refused.headers["connection"] == "close"
        disk_with(monkeypatch, 99 * MB)
        photograph: Any = client.post(f"/v1/fabs/{FAB}/photograph", files={"photo": ("a.jpg", b"x")})
        assert is_problem(photograph, 507, "99 MB")
        assert is_problem(post(client, key="a"), 507), "a repeated one would have to be read, too"
        assert spooled(client) == before and len(client.get("/v1/jobs").json()["jobs"]) == 1
        disk_with(monkeypatch, 200 * MB)
        assert post(client, key="b", artwork=bytes(2 * MB)).status_code == 202


def test_what_is_there_can_be_read_and_stopped_on_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with service(tmp_path, free_space_mb=100) as client:
        job = post(client).json()["id"]
        disk_with(monkeypatch, 0)
        assert post(client).status_code == 507
        assert client.get(f"/v1/jobs/{job}").status_code == client.delete(f"/v1/jobs/{job}").status_code == 200


def test_a_floor_of_nothing_asks_no_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with service(tmp_path, free_space_mb=0) as client:
        disk_with(monkeypatch, 0)
        assert post(client).status_code == 202
