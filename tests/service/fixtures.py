"""The application for tests: all of it but a broker, which is away, and the workers, whose part the tests play."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

from fastapi.testclient import TestClient

from service.app import create_app
from service.asking import ANSWER_SECONDS, ask
from service.backing import Backing
from worker.access_key import SCOPES, new_key
from worker.job import Package
from worker.ledger.keys import Doer
from worker.result_archive import write_archive
from worker.settings import Environment
from worker.tasks import Bench

FAB = "nocturne-gold"
"""One of the demo profiles, which every service installs at its start."""


@contextmanager
def service(data_dir: Path, **environment: Any) -> Iterator[TestClient]:
    """A client of a running application, as if it listened on 127.0.0.1."""
    app = create_app(Environment(data_dir=data_dir, **environment))
    with TestClient(app, base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        yield client


def backing(client: TestClient) -> Backing:
    """What stands behind a client's application."""
    found: Backing = client.app.state.backing  # type: ignore[attr-defined]
    return found


def post(client: TestClient, artwork: bytes = b"artwork", name: str = "badge.png", key: str = "", **fields: Any) -> Any:
    """Ask for a job; the response."""
    headers = {"Idempotency-Key": key} if key else {}
    return client.post("/v1/jobs", files={"artwork": (name, artwork)}, data={"fab": FAB, **fields}, headers=headers)


def finish(client: TestClient, job_id: str, files: Mapping[str, bytes], summary: Mapping[str, Any]) -> None:
    """Do a worker's part: claim the job and publish these files."""
    ledger, store = backing(client).ledger, backing(client).store
    claim = ledger.jobs.claim("batch", "test")
    assert claim is not None and claim.job.id == job_id
    key = f"results/{job_id}/{claim.token}"
    with store.spool() as spooled:
        made = write_archive(spooled, claim.job.name, files.items())
        store.keep(key, spooled)
    package = Package(key=key, bytes=made.bytes, files=made.files, sha256=made.sha256)
    assert ledger.jobs.publish(job_id, claim.token, package, summary)


@contextmanager
def a_worker(client: TestClient) -> Iterator[None]:
    """A worker of the interactive lane; what it is asked is waited for, however busy the machine is."""
    behind, ended = backing(client), threading.Event()
    bench = Bench(ledger=behind.ledger, store=behind.store, tables=behind.environment.data_dir, threads=1)

    def work() -> None:
        while bench.work("interactive", "test") or not ended.wait(0.02):
            pass

    thread = threading.Thread(target=work)
    thread.start()
    assert ask.__kwdefaults__ is not None
    try:
        with mock.patch.dict(ask.__kwdefaults__, {"seconds": 10.0 * ANSWER_SECONDS}):
            yield
    finally:
        ended.set()
        thread.join()


def make_key(client: TestClient, owner: str, *scopes: str, expires: float | None = None) -> dict[str, str]:
    """Make a key as the command line does; the header that carries it."""
    key, secret = new_key(), backing(client).secret
    backing(client).ledger.keys.add(
        key.id,
        owner=owner,
        scopes=scopes or tuple(SCOPES),
        digest=key.digest(secret),
        secret_id=secret.id,
        expires=expires,
        doer=Doer(by="test"),
    )
    return {"Authorization": f"Bearer {key.text}"}


def is_problem(response: Any, status: int, *words: str) -> bool:
    """Whether a response is a problem document (RFC 9457) of this status whose detail has these words."""
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    problem = response.json()
    assert problem["status"] == status and problem["title"] and problem["type"].startswith("urn:maskwright:problem:")
    for word in words:
        assert word in problem["detail"], problem["detail"]
    return True
