"""A part is away for a while: the broker when a job is asked for and under load, the database for ten seconds."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.engine.sweeps import sweep_size
from tests.worker.postgresql import postgresql
from tests.worker.rig import Rig, send, tree, wait_for
from tests.worker.serving import command_line
from worker.client import Client
from worker.settings import PROJECT

pytestmark = pytest.mark.slow

ARTWORK = PROJECT / "samples" / "artworks" / "quillmere-badge.png"
AWAY_SECONDS = 10.0
RECOVERY_SECONDS = 20.0


def ask(address: str, key: str, width: str = "15mm") -> str:
    with Client(address) as client:
        settings = {"width": width, "pitch": "100um", "edges": "threshold"}
        job = client.submit(
            ARTWORK.name, ARTWORK.read_bytes(), fab="nocturne-gold", settings=settings, idempotency_key=key
        )
    return str(job["id"])


def test_a_job_asked_for_while_the_broker_is_away_is_accepted_and_done_once_it_is_back() -> None:
    with Rig() as rig:
        address = rig.start_service()
        asked = [ask(address, "one"), ask(address, "one"), ask(address, "two")]
        assert asked[0] == asked[1] != asked[2]
        rig.start_broker()
        rig.start_worker(engine=True)
        assert {rig.ended(job_id, RECOVERY_SECONDS).state for job_id in asked} == {"done"}


def test_nothing_is_lost_when_the_broker_is_killed_under_load() -> None:
    with Rig() as rig:
        rig.start_broker()
        rig.start_worker()
        for _ in range(sweep_size(2, 10)):
            jobs = [rig.submit("sleep", seconds=0.2) for _ in range(8)]
            rig.kill_broker()
            jobs += [rig.submit("copy", wake=False) for _ in range(4)]
            rig.start_broker()
            for job_id in jobs:
                job = rig.ended(job_id, RECOVERY_SECONDS)
                assert job.state == "done" and job.attempt == 1 and len(rig.results(job_id)) == 1


@contextmanager
def locked(database: Path) -> Iterator[None]:
    """Nobody else can write to this SQLite database."""
    connection = sqlite3.connect(database, isolation_level=None, timeout=30)
    connection.execute("BEGIN EXCLUSIVE")
    try:
        yield
    finally:
        connection.execute("COMMIT")
        connection.close()


@contextmanager
def stopped(url: str) -> Iterator[None]:
    """No process of this PostgreSQL server runs."""
    folder = Path(url.rpartition("unix_sock=")[2]).parent
    pids = [int(line) for line in subprocess.check_output(["pgrep", "-x", "postgres"], text=True).split()]
    server = next(pid for pid in pids if f"-k {folder}" in command_line(pid))
    pids = tree(server)
    send(signal.SIGSTOP, pids)
    try:
        yield
    finally:
        send(signal.SIGCONT, pids)


@contextmanager
def database_of(kind: str) -> Iterator[tuple[Rig, object]]:
    if kind == "sqlite":
        with Rig() as rig:
            yield rig, locked(rig.folder / "ledger.sqlite")
    else:
        with postgresql() as url, Rig(DATABASE_URL=url) as rig:
            yield rig, stopped(url)


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_a_database_that_is_away_for_ten_seconds_costs_no_attempt_and_no_request(kind: str) -> None:
    """The lease is four seconds, and nobody can give a sign of life for ten: that is held against nobody."""
    with database_of(kind) as (rig, away):
        rig.start_broker()
        rig.start_worker(processes=2, engine=True)
        address = rig.start_service()
        jobs = [rig.submit("sleep", seconds=2.0) for _ in range(3)]
        wait_for(lambda: rig.job(jobs[0]).state == "running" and rig.job(jobs[1]).state == "running")
        asked: list[str] = []
        asker = threading.Thread(target=lambda: asked.append(ask(address, "while away")), daemon=True)
        with away:  # type: ignore[attr-defined]
            asker.start()
            time.sleep(AWAY_SECONDS)
        asker.join(RECOVERY_SECONDS)
        assert len(asked) == 1 and ask(address, "while away") == asked[0]
        for job_id in [*jobs, *asked]:
            job = rig.ended(job_id, RECOVERY_SECONDS)
            assert job.state == "done" and job.attempt == 1, rig.logs()
        assert all(len(rig.results(job_id)) == 1 for job_id in jobs)
