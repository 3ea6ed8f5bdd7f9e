"""The figures of /metrics, read by Prometheus' own reader of its text format."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sql
from fastapi.testclient import TestClient
from prometheus_client.parser import text_string_to_metric_families

from tests.service.fixtures import backing, finish, is_problem, make_key, post, service
from worker.job import Failure
from worker.ledger.tables import jobs


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


def figures(client: TestClient) -> dict[str, float]:
    """Every sample by its name and the values of its labels, such as "jobs_waiting batch"."""
    response = client.get("/metrics")
    assert response.status_code == 200 and response.headers["content-type"].startswith("text/plain; version=0.0.4")
    families = list(text_string_to_metric_families(response.text))
    assert all(family.documentation and family.name.startswith("maskwright_") for family in families)
    samples = [sample for family in families for sample in family.samples if "_bucket" not in sample.name]
    return {
        " ".join(
            [sample.name.removeprefix("maskwright_"), *(sample.labels[name] for name in sorted(sample.labels))]
        ): sample.value
        for sample in samples
    }


def earlier(client: TestClient, seconds: float) -> None:
    """Put every time of every job back, as if it had been so long ago."""
    moved = {name: jobs.c[name] - seconds for name in ("created", "started", "finished")}
    with backing(client).ledger.database.writing() as connection:
        connection.execute(sql.update(jobs).values(**moved))
    measures = backing(client).measures
    assert measures.seen is not None
    measures.seen = (measures.seen[0] - seconds, 0)


def test_queues_are_told_as_they_are(client: TestClient) -> None:
    told = figures(client)
    assert told["jobs_waiting batch"] == told["jobs_running batch"] == told["oldest_job_seconds batch"] == 0
    for number in range(3):
        post(client, str(number).encode())
    post(client, b"quick", lane="interactive")
    earlier(client, 100.0)
    assert backing(client).ledger.jobs.claim("batch", "task")
    told = figures(client)
    assert (told["jobs_waiting batch"], told["jobs_running batch"], told["jobs_waiting interactive"]) == (2, 1, 1)
    assert 99 < told["oldest_job_seconds batch"] < 160 and told["disk_free_bytes"] > 0


def test_every_ended_job_is_counted_once_by_how_it_ended(client: TestClient) -> None:
    ledger = backing(client).ledger
    done = post(client, b"one").json()["id"]
    finish(client, done, {"report.json": b"{}"}, {"stages": {"separation": 0.3, "files": 0.2}})
    failed = post(client, b"two").json()["id"]
    claim = ledger.jobs.claim("batch", "task")
    assert claim is not None
    ledger.jobs.fail(failed, claim.token, Failure(code="artwork", what="a", mend="b"))
    lost = post(client, b"three").json()["id"]
    for attempt in range(3):
        ledger.jobs.claim("batch", f"task{attempt}")
        ledger.jobs.give_back_task(f"task{attempt}", Failure(code="lost", what="a", mend="b"))
    assert ledger.jobs.get("local", lost).state == "failed"
    client.delete(f"/v1/jobs/{post(client, b'four').json()['id']}")
    assert "jobs_ended_total convert batch done" not in figures(client), "its end may not be seen by all yet"
    earlier(client, 10.0)
    for _ in range(2):
        told = figures(client)
        assert told["jobs_ended_total convert batch done"] == told["jobs_ended_total convert batch cancelled"] == 1
        assert told["jobs_ended_total convert batch failed"] == 2
        assert told["job_failures_total artwork"] == told["job_failures_total lost"] == 1
        assert told["job_attempts_lost_total batch"] == 2
        assert told["stage_seconds_sum separation"] == 0.3 and told["stage_seconds_count files"] == 1
        assert told["job_work_seconds_count convert batch"] == 3


def test_more_jobs_than_one_look_takes_are_counted_all_the_same(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in ("worker.ledger.figures", "service.measures"):
        monkeypatch.setattr(f"{module}.MOST", 3)
    for number in range(7):
        finish(client, post(client, str(number).encode()).json()["id"], {"report.json": b"{}"}, {})
    with backing(client).ledger.database.writing() as connection:  # several in the same instant
        connection.execute(
            sql.update(jobs).values(finished=sql.select(sql.func.max(jobs.c.finished)).scalar_subquery())
        )
    earlier(client, 10.0)
    assert figures(client)["jobs_ended_total convert batch done"] == 7


def test_what_ended_before_this_process_began_is_not_counted_anew(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        finish(client, post(client).json()["id"], {"report.json": b"{}"}, {})
        earlier(client, 10.0)
        assert figures(client)["jobs_ended_total convert batch done"] == 1
    with service(tmp_path) as client:
        assert "jobs_ended_total convert batch done" not in figures(client)


def test_where_a_key_is_asked_for_figures_take_one(tmp_path: Path) -> None:
    with service(tmp_path, key="a-key-of-the-admin") as client:
        assert is_problem(client.get("/metrics"), 401, "key")
        assert client.get("/metrics", headers={"Authorization": "Bearer a-key-of-the-admin"}).status_code == 200
        assert client.get("/metrics", headers=make_key(client, "ada", "admin")).status_code == 200
        assert is_problem(client.get("/metrics", headers=make_key(client, "ada", "read", "submit")), 403, "admin")


def test_no_look_reads_the_whole_table(client: TestClient) -> None:
    """SQLite's own plan of both questions names an index, and no scan of jobs."""
    ledger, plans = backing(client).ledger, []
    statements: list[tuple[str, object]] = []
    sql.event.listen(
        ledger.database.engine,
        "before_cursor_execute",
        lambda c, u, text, values, x, y: statements.append((text, values)),
    )
    ledger.figures.queues()
    ledger.figures.ended((0.0, 0), 1.0)
    for text, values in statements[:]:
        if " jobs" in text:
            with ledger.database.reading() as connection:
                plans += [row[3] for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {text}", values)]  # type: ignore[arg-type]
    assert len([plan for plan in plans if "USING INDEX" in plan or "USING COVERING INDEX" in plan]) >= 2, plans
    assert not [plan for plan in plans if plan.startswith("SCAN jobs")], plans
