"""What housekeeping removes, and what it must never remove."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from tests.worker.rig import Rig, put
from worker.housekeeping import RESULT_AGE_SECONDS, UPLOAD_AGE_SECONDS, Housekeeping
from worker.job import Package


@pytest.fixture
def rig() -> Iterator[Rig]:
    """A ledger and a store; no broker and no worker run."""
    with Rig() as rig:
        yield rig


def keys(rig: Rig) -> set[str]:
    return {stored.key for folder in ("results", "artworks") for stored in rig.store.list(folder)}


def test_only_left_overs_that_are_old_enough_go(rig: Rig) -> None:
    job_id = rig.submit("copy", wake=False)
    claim = rig.ledger.jobs.claim("batch", "task")
    assert claim is not None
    mine = f"results/{job_id}/{claim.token}"
    lost = f"results/{job_id}/{'f' * 32}"
    gone = f"results/{'a' * 32}/{claim.token}"
    used, unused = f"artworks/{'0' * 64}", f"artworks/{'1' * 64}"
    for key in (mine, lost, gone, unused):
        put(rig.store, key, b"x")
    housekeeping = Housekeeping(rig.ledger, rig.broker, store=rig.store)
    housekeeping.sweep(rig.store, time.time() + RESULT_AGE_SECONDS - 60)
    assert keys(rig) == {mine, lost, gone, used, unused}
    housekeeping.sweep(rig.store, time.time() + RESULT_AGE_SECONDS + 60)
    assert keys(rig) == {mine, used, unused}
    assert rig.ledger.jobs.publish(job_id, claim.token, Package(key=mine, bytes=1, files=()), {})
    housekeeping.sweep(rig.store, time.time() + UPLOAD_AGE_SECONDS + 60)
    assert keys(rig) == {mine, used}


def test_a_round_gives_expired_jobs_back_though_the_broker_is_away(rig: Rig) -> None:
    job_id = rig.submit("copy", wake=False)
    rig.ledger.jobs.claim("batch", "task")
    time.sleep(rig.environment.lease_seconds + 0.2)
    housekeeping = Housekeeping(rig.ledger, rig.broker, store=rig.store)
    housekeeping.start()
    until = time.monotonic() + 10
    while rig.job(job_id).state != "queued" and time.monotonic() < until:
        time.sleep(0.1)
    housekeeping.stop()
    assert rig.job(job_id).state == "queued" and rig.job(job_id).attempt == 1
