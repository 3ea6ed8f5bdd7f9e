"""What the policy gives up, and what it must never touch; what a request then answers."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sql
from fastapi.testclient import TestClient

from tests.service.fixtures import FAB, backing, finish, is_problem, post, service
from tests.worker.postgresql import postgresql
from worker.job import InputFile, JobRequest, Package
from worker.ledger import Ledger
from worker.ledger.tables import jobs
from worker.retention import AT_LEAST_SECONDS, DAY_SECONDS, KEEP_ALL, Retention, policy_of
from worker.settings import Environment

ONE_DAY = Retention(seconds=DAY_SECONDS, bytes=None)


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


def done(client: TestClient, *, artwork: bytes = b"artwork", days: float = 0.0, size: int = 100) -> str:
    """A finished job that ended so many days ago."""
    job_id: str = post(client, artwork).json()["id"]
    finish(client, job_id, {"tuning.npz": bytes(size)}, {})
    age(client, job_id, days)
    return job_id


def age(client: TestClient, job_id: str, days: float) -> None:
    with backing(client).ledger.database.writing() as connection:
        earlier = jobs.c.finished - days * DAY_SECONDS
        connection.execute(sql.update(jobs).where(jobs.c.id == job_id).values(finished=earlier))


def apply(client: TestClient, policy: Retention) -> int:
    return policy.apply(backing(client).ledger, backing(client).store)


def stored(client: TestClient, folder: str) -> set[str]:
    return {found.key for found in backing(client).store.list(folder)}


def test_an_expired_result_is_gone_and_says_how_to_have_it_again(client: TestClient) -> None:
    old, young = done(client, days=2), done(client, days=0.5)
    assert apply(client, ONE_DAY) == 1
    for path in ("files", "files/tuning.npz", "package.zip"):
        assert is_problem(client.get(f"/v1/jobs/{old}/{path}"), 410, "given up", "again")
        assert client.get(f"/v1/jobs/{young}/{path}").status_code == 200
    shown = client.get(f"/v1/jobs/{old}").json()
    assert shown["state"] == "done" and shown["expired"] and client.get(f"/v1/jobs/{young}").json()["expired"] is None
    assert {key.split("/")[1] for key in stored(client, "results")} == {young}
    assert apply(client, ONE_DAY) == 0


def test_by_default_everything_is_kept(client: TestClient) -> None:
    job = done(client, days=10_000)
    assert policy_of(Environment()) == KEEP_ALL and apply(client, KEEP_ALL) == 0
    backing(client).housekeeping.sweep(backing(client).store, time.time() + 1e8)
    assert client.get(f"/v1/jobs/{job}/files/tuning.npz").status_code == 200


def test_the_oldest_go_until_the_rest_fit(client: TestClient) -> None:
    ids = [done(client, days=days, size=10_000) for days in (1, 4, 2, 3)]
    each = sum(path.stat().st_size for path in (backing(client).store.root / "objects/results").rglob("*") if path.is_file()) // 4  # type: ignore[attr-defined] # fmt: skip # noqa: E501
    assert apply(client, Retention(seconds=None, bytes=2 * each)) == 2
    assert {key.split("/")[1] for key in stored(client, "results")} == {ids[0], ids[2]}
    age(client, ids[2], -2)  # it ended just now: there is an hour to fetch it, however large it is
    assert apply(client, Retention(seconds=0.001, bytes=1)) == 1
    assert {key.split("/")[1] for key in stored(client, "results")} == {ids[2]}
    age(client, ids[2], 1.1 * AT_LEAST_SECONDS / DAY_SECONDS)
    assert apply(client, Retention(seconds=None, bytes=1)) == 1


def test_an_artwork_goes_with_its_last_job_and_never_before(client: TestClient) -> None:
    done(client, artwork=b"shared", days=9)
    done(client, artwork=b"alone", days=9)
    waits = post(client, b"shared").json()["id"]
    keeper = backing(client)
    assert len(stored(client, "artworks")) == 2 and apply(client, ONE_DAY) == 2
    keeper.housekeeping.sweep(keeper.store, time.time() + 10 * DAY_SECONDS)
    left = client.get(f"/v1/jobs/{waits}").json()["artwork"]["sha256"]
    assert stored(client, "artworks") == {f"artworks/{left}"}
    finish(client, waits, {"report.json": b"{}"}, {})


@pytest.mark.parametrize("state", ["queued", "running"])
def test_what_a_live_job_reads_or_writes_stays(client: TestClient, state: str) -> None:
    source = done(client, days=9)
    ledger = backing(client).ledger
    package = ledger.jobs.package("local", source)
    fab = ledger.fabs.get("local", FAB)
    tuning = InputFile(key=package.key, bytes=1, sha256="0" * 64)
    question = JobRequest(
        owner="local", kind="preview", lane="interactive", name="p", artwork="", artwork_bytes=0, fab_id=FAB,
        fab_revision=fab.revision, settings={}, fingerprint="", inputs={"tuning": tuning},
    )  # fmt: skip
    job, _ = ledger.jobs.add(question)
    claim = ledger.jobs.claim("interactive", "task") if state == "running" else None
    assert apply(client, Retention(seconds=1.0, bytes=1)) == 0
    assert client.get(f"/v1/jobs/{source}/files/tuning.npz").status_code == 200
    claim = claim or ledger.jobs.claim("interactive", "task")
    assert claim is not None and ledger.jobs.publish(job.id, claim.token, None, {"answer": {}})
    assert apply(client, ONE_DAY) == 1


def test_a_crash_between_row_and_file_leaves_nothing_for_good(client: TestClient) -> None:
    done(client, days=9)
    assert backing(client).ledger.expiry.by_age(DAY_SECONDS)  # and the process dies here
    assert len(stored(client, "results")) == 1
    backing(client).housekeeping.sweep(backing(client).store, time.time() + 2 * AT_LEAST_SECONDS)
    assert stored(client, "results") == set()


def test_the_service_keeps_to_the_policy_of_its_environment(tmp_path: Path) -> None:
    with service(tmp_path, result_days=1.0, result_bytes=10**9) as client:
        keeper = backing(client)
        assert keeper.housekeeping.retention == Retention(seconds=DAY_SECONDS, bytes=10**9)
        old, young = done(client, days=2), done(client)
        keeper.housekeeping.sweep(keeper.store, time.time())
        assert client.get(f"/v1/jobs/{old}/files").status_code == 410
        assert client.get(f"/v1/jobs/{young}/files").status_code == 200


def test_nothing_is_removed_while_a_copy_is_taken(tmp_path: Path) -> None:
    with service(tmp_path, result_days=1.0) as client:
        keeper = backing(client)
        old = done(client, days=2)
        with keeper.store.copying():  # type: ignore[attr-defined]
            keeper.housekeeping.sweep(keeper.store, time.time() + 10 * DAY_SECONDS)
            assert client.get(f"/v1/jobs/{old}/files").status_code == 200
        keeper.housekeeping.sweep(keeper.store, time.time())
        assert client.get(f"/v1/jobs/{old}/files").status_code == 410


@pytest.fixture(params=["sqlite", "postgresql"])
def ledger(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Ledger]:
    if request.param == "sqlite":
        yield from opened(f"sqlite:///{tmp_path / 'ledger.sqlite'}")
    else:
        with postgresql() as url:
            yield from opened(url)


def opened(url: str) -> Iterator[Ledger]:
    ledger = Ledger(url)
    ledger.migrate()
    ledger.fabs.create("local", "fab", "r1", b"")
    yield ledger
    ledger.close()


def test_many_rows_expire_in_batches_on_both_databases(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("worker.ledger.expiry.BATCH", 3)
    values: dict[str, Any] = {
        "owner": "local", "kind": "convert", "lane": "batch", "name": "a", "artwork": "0" * 64, "artwork_bytes": 1,
        "fab_id": "fab", "fab_revision": "r1", "settings": {}, "fingerprint": "",
    }  # fmt: skip
    for number in range(8):
        job, _ = ledger.jobs.add(JobRequest(**values))
        claim = ledger.jobs.claim("batch", "task")
        assert claim is not None
        if number % 2:
            ledger.jobs.cancel("local", job.id)
        else:
            ledger.jobs.publish(job.id, claim.token, Package(key=f"results/{job.id}/t", bytes=10, files=()), {})
    with ledger.database.writing() as connection:
        connection.execute(sql.update(jobs).values(finished=jobs.c.finished - 7200.0))
    assert len(ledger.expiry.by_bytes(25, at_least_seconds=3600)) == 2
    assert ledger.expiry.by_bytes(25, at_least_seconds=3600) == []
    assert [len(ledger.expiry.by_age(3600)) for _ in range(3)] == [3, 3, 0]
    assert all(job.expired for job in ledger.jobs.page("local", before=None, size=9))
