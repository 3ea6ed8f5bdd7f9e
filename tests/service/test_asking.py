"""Questions that a request waits for: the answer, its failure, and an answer that comes too late are all kept."""

from __future__ import annotations

import asyncio
import io
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from service.asking import Question, answer_of, ask, awaited, keep_input, later
from service.errors import ProtocolError
from service.upload import Uploaded
from tests.service.fixtures import FAB, backing, is_problem, post, service
from worker.job import LOCAL_OWNER, Claim, Failure, Job
from worker.ledger import Ledger
from worker.tasks import Inputs


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


def question(client: TestClient, **more: Any) -> Question:
    revision = backing(client).ledger.fabs.get(LOCAL_OWNER, FAB).revision
    return Question(kind="preview", name="gold", fab_id=FAB, fab_revision=revision, **{"settings": {"a": 1}, **more})


@contextmanager
def a_worker(client: TestClient, does: Callable[[Ledger, Claim], object]) -> Iterator[None]:
    """A worker of the interactive lane, for one job."""

    def work() -> None:
        ledger = backing(client).ledger
        until = time.monotonic() + 10
        while (claim := ledger.jobs.claim("interactive", "test")) is None and time.monotonic() < until:
            time.sleep(0.02)
        if claim is not None:
            does(ledger, claim)

    thread = threading.Thread(target=work)
    thread.start()
    yield
    thread.join()


def asked(client: TestClient, seconds: float = 10.0, **more: Any) -> Job:
    return asyncio.run(ask(backing(client), LOCAL_OWNER, question(client, **more), seconds=seconds))


def publish(ledger: Ledger, claim: Claim) -> bool:
    return ledger.jobs.publish(claim.job.id, claim.token, None, {"answer": {"b": claim.job.settings["a"] + 1}})


def test_the_request_waits_for_the_answer(client: TestClient) -> None:
    with a_worker(client, publish):
        job = asked(client)
    assert answer_of(job) == {"b": 2}
    shown = client.get(f"/v1/jobs/{job.id}").json()
    assert shown["artwork"] is None and shown["result"]["answer"] == {"b": 2} and shown["lane"] == "interactive"
    assert is_problem(client.get(f"/v1/jobs/{job.id}/package.zip"), 404, "no files", "result")


def test_a_question_ends_when_who_asked_hangs_up(client: TestClient) -> None:
    """Nobody learned of its job; one that has just ended is left as it is."""

    async def gone() -> bool:
        return True

    def hung_up() -> Job:
        return asyncio.run(ask(backing(client), LOCAL_OWNER, question(client), gone=gone))

    assert hung_up().state == "cancelled"
    job = asked(client, seconds=0.0)
    with a_worker(client, publish):
        pass
    assert asyncio.run(awaited(backing(client), LOCAL_OWNER, job, seconds=10.0, gone=gone)).state == "done"


def test_a_failure_comes_out_as_what_it_is(client: TestClient) -> None:
    lost = Failure(code="lost", what="It was lost.", mend="Try again.", setting="height")
    with a_worker(client, lambda ledger, claim: ledger.jobs.fail(claim.job.id, claim.token, lost)):
        job = asked(client)
    with pytest.raises(ProtocolError, match=r"It was lost\. Try again\.") as found:
        answer_of(job)
    assert (found.value.code, found.value.setting) == ("lost", "height")
    assert client.get(f"/v1/jobs/{job.id}").json()["error"]["setting"] == "height"
    with a_worker(client, lambda ledger, claim: ledger.jobs.cancel(LOCAL_OWNER, claim.job.id)):
        job = asked(client)
    with pytest.raises(ProtocolError, match="cancelled"):
        answer_of(job)


def test_an_answer_that_comes_too_late_is_found_at_its_job(client: TestClient) -> None:
    job = asked(client, seconds=0.1)
    assert answer_of(job) is None
    response = later(job)
    assert response.status_code == 202
    address = response.headers["location"]
    assert client.get(address).json()["state"] == "queued"
    with a_worker(client, publish):
        pass
    assert client.get(address).json()["result"]["answer"] == {"b": 2}


def test_questions_do_not_crowd_the_list_of_jobs(client: TestClient) -> None:
    mine = post(client).json()["id"]
    ids = [asked(client, seconds=0.0).id for _ in range(3)]
    assert [job["id"] for job in client.get("/v1/jobs").json()["jobs"]] == [mine]
    first = client.get("/v1/jobs?kind=preview&limit=2").json()
    second = client.get(first["next"]).json()
    assert [job["id"] for page in (first, second) for job in page["jobs"]] == ids[::-1]
    assert is_problem(client.get("/v1/jobs?kind=other"), 422, "other", "preview")


def test_a_question_is_forgotten_with_its_files_after_a_while_but_never_before_its_end(client: TestClient) -> None:
    store, ledger = backing(client).store, backing(client).ledger
    with store.spool() as spooled:
        spooled.write(b"a photograph")
        kept = keep_input(backing(client), Uploaded(name="a.jpg", bytes=12, sha256="0" * 64), spooled)
    ended, live = (asked(client, seconds=0.0, inputs={"photo": kept}) for _ in range(2))
    with a_worker(client, publish):
        pass
    mine = post(client).json()["id"]
    assert ledger.jobs.get(LOCAL_OWNER, live.id).inputs == {"photo": kept}
    assert Inputs(store, live.inputs)["photo"].read() == b"a photograph"
    sweep, now = backing(client).housekeeping.sweep, time.time()
    assert ledger.jobs.forget_asked(seconds=3600) == 0
    assert ledger.jobs.forget_asked(seconds=-1) == 1
    assert is_problem(client.get(f"/v1/jobs/{ended.id}"), 404)
    sweep(store, now + 1e6)
    assert store.open(kept.key).read() == b"a photograph"
    with a_worker(client, publish):
        pass
    assert ledger.jobs.forget_asked(seconds=-1) == 1
    sweep(store, now + 10)
    assert store.open(kept.key).read() == b"a photograph"
    sweep(store, now + 1e6)
    assert list(store.list("inputs")) == []
    assert client.get(f"/v1/jobs/{mine}").status_code == 200


def test_equal_questions_have_equal_fingerprints(client: TestClient) -> None:
    assert question(client).fingerprint == question(client).fingerprint
    assert question(client).fingerprint != question(client, settings={"a": 2}).fingerprint


def test_a_file_of_a_question_may_be_a_part_of_an_object(client: TestClient) -> None:
    from worker.job import InputFile

    store = backing(client).store
    with store.spool() as spooled:
        spooled.write(b"0123456789")
        store.keep("results/a/b", spooled)
    part = InputFile(key="results/a/b", start=3, bytes=4, sha256="")
    inputs = Inputs(store, {"part": part})
    assert list(inputs) == ["part"] and len(inputs) == 1
    assert isinstance(inputs["part"], io.BytesIO) and inputs["part"].read() == b"3456"
