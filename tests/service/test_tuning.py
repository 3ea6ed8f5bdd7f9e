"""Questions about references: what is wrong with them is said before a worker is asked; answers come back as they are.

The engine's part is in tests/worker/test_tuning.py; both together in tests/worker/test_embedded.py.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.service.fixtures import FAB, backing, finish, is_problem, post, service
from tests.service.test_readings import ADDRESS, READING, TOML, add
from worker.job import Claim

LAB = {"lab": [70, 4, 28], "illuminant": "D65", "observer": "2"}


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


@contextmanager
def answering(
    client: TestClient, answer: Callable[[Claim], Mapping[str, Any]], count: int = 1
) -> Iterator[list[Claim]]:
    """A worker of the interactive lane that answers `count` questions; the claims that it had."""
    claims: list[Claim] = []

    def work() -> None:
        jobs = backing(client).ledger.jobs
        until = time.monotonic() + 10
        while len(claims) < count and time.monotonic() < until:
            claim = jobs.claim("interactive", "test")
            if claim is not None:
                claims.append(claim)
                assert jobs.publish(claim.job.id, claim.token, None, {"answer": answer(claim)})
            time.sleep(0.02)

    thread = threading.Thread(target=work)
    thread.start()
    yield claims
    thread.join()


def a_done_job(client: TestClient, files: Mapping[str, bytes] | None = None) -> str:
    job = str(post(client).json()["id"])
    finish(client, job, {"tuning.npz": b"arrays", "report.json": b"{}"} if files is None else files, {})
    return job


def test_references_are_asked_once_for_a_revision_and_its_conditions(client: TestClient) -> None:
    with answering(client, lambda claim: {"told": claim.job.settings["viewing_conditions"]}, 3) as claims:
        for conditions in ("D50/2", "D50/2", "d65/10"):
            response = client.get(f"{ADDRESS}/references", params={"viewing_conditions": conditions})
            assert response.json()["told"] == conditions.upper(), response.text
        add(client)
        new = client.get(f"{ADDRESS}/references?viewing_conditions=D50/2").json()
    assert len(claims) == 3 and [claim.job.kind for claim in claims] == ["references"] * 3
    assert new["revision"] == claims[2].job.fab_revision != claims[0].job.fab_revision
    assert claims[0].fab_toml == TOML
    old = f"{ADDRESS}/references?viewing_conditions=D50/2&revision={claims[0].job.fab_revision}"
    assert client.get(old).json()["revision"] == claims[0].job.fab_revision
    assert is_problem(client.get(f"{ADDRESS}/references?viewing_conditions=moonlight"), 422, "moonlight", "D65/2")
    assert is_problem(client.get(f"{ADDRESS}/references?revision=none"), 404, "none")
    assert is_problem(client.get("/v1/fabs/none/references"), 404)


def test_a_preview_hands_the_worker_the_jobs_data_and_the_edits(client: TestClient) -> None:
    job = a_done_job(client)
    edits = [{"finish": "gold", **LAB}, {"finish": "mask", "reading": {**READING, "batch": None}}]
    with answering(client, lambda claim: {"preview": True}) as claims:
        answer = client.post(f"{ADDRESS}/preview", json={"job": job, "edits": edits}).json()
    (claim,) = claims
    assert answer == {"preview": True, "job": job, "fab": FAB, "revision": claim.job.fab_revision}
    assert claim.job.settings["edits"] == [
        {"finish": "gold", "override": LAB},
        {"finish": "mask", "reading": {key: value for key, value in READING.items() if key != "batch"}},
    ]
    tuning = claim.job.inputs["tuning"]
    stored = backing(client).store.read(tuning.key, tuning.start, tuning.start + tuning.bytes)
    assert b"".join(stored) == b"arrays"
    assert client.get(ADDRESS).content == TOML
    assert len(client.get(f"{ADDRESS}/revisions").json()["revisions"]) == 1


def test_a_whole_profile_may_be_tried(client: TestClient) -> None:
    job = a_done_job(client)
    with answering(client, lambda claim: {"preview": True}) as claims:
        answer = client.post(f"{ADDRESS}/preview", json={"job": job, "toml": TOML.decode()})
    assert answer.status_code == 200 and claims[0].job.settings["toml"] == TOML.decode()
    wrong = client.post(f"{ADDRESS}/preview", json={"job": job, "toml": "id = 1"})
    assert is_problem(wrong, 422, "as sent", "missing")
    both = {"job": job, "toml": TOML.decode(), "edits": [{"finish": "gold", **LAB}]}
    assert is_problem(client.post(f"{ADDRESS}/preview", json=both), 422, "toml and edits")


@pytest.mark.parametrize(
    ("edit", "status", "words"),
    [
        ({"finish": "velvet", **LAB}, 404, ("velvet", "gold")),
        ({"finish": "gold"}, 422, ("nothing to try", "lab")),
        ({"finish": "gold", **LAB, "reading": READING}, 422, ("both",)),
        ({"finish": "gold", "lab": [70, 4, 28]}, 422, ("illuminant", "missing")),
        ({"finish": "gold", **LAB, "lab": [170, 4, 28]}, 422, ("170",)),
        ({"finish": "gold", "reading": {"lab": [1, 2, 3], "origin": "measured"}}, 422, ("geometry",)),
        ({"finish": "gold", **LAB, "colour": 1}, 422, ("colour",)),
    ],
)
def test_a_wrong_edit_is_refused_at_once(client: TestClient, edit: Any, status: int, words: Any) -> None:
    job = a_done_job(client)
    assert is_problem(client.post(f"{ADDRESS}/preview", json={"job": job, "edits": [edit]}), status, *words)
    assert client.get("/v1/jobs?kind=preview").json()["jobs"] == []


def test_only_a_finished_job_of_this_fab_can_be_previewed(client: TestClient) -> None:
    def ask(job: str, fab: str = FAB) -> Any:
        return client.post(f"/v1/fabs/{fab}/preview", json={"job": job, "edits": []})

    assert is_problem(ask("none"), 404, "none")
    old = a_done_job(client, {"report.json": b"{}"})
    assert is_problem(ask(old), 409, "tuning.npz", "run it again")
    done = a_done_job(client)
    assert is_problem(ask(done, "alba-black"), 422, FAB)
    waiting = post(client).json()["id"]
    assert is_problem(ask(waiting), 409, "queued")
