"""What housekeeping removes, and what it must never remove."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import suppress

import pytest
import sqlalchemy as sql

from tests.worker.rig import Rig, put
from worker.errors import UnavailableError
from worker.housekeeping import RESULT_AGE_SECONDS, SPARE_SECONDS, UPLOAD_AGE_SECONDS, Housekeeping
from worker.job import Package
from worker.ledger.tables import jobs


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


def silent_rounds(rig: Rig, seconds: float) -> Housekeeping:
    """Rounds of a housekeeper of no worker, one for each of so many seconds of a clock that the test moves."""
    housekeeping = Housekeeping(rig.ledger, rig.broker, store=rig.store)
    moment = 0.0
    housekeeping.silence.clock = lambda: moment
    while moment <= seconds:
        with suppress(UnavailableError):  # there is no broker
            housekeeping.round()
        moment += 1.0
    return housekeeping


def test_rounds_give_a_silent_job_back_after_its_lease_though_the_broker_is_away(rig: Rig) -> None:
    job_id = rig.submit("copy", wake=False)
    rig.ledger.jobs.claim("batch", "task")
    lease = rig.environment.lease_seconds
    silent_rounds(rig, lease)
    assert rig.job(job_id).state == "running"
    silent_rounds(rig, lease + SPARE_SECONDS + 1)
    assert rig.job(job_id).state == "queued" and rig.job(job_id).attempt == 1


def test_a_clock_that_jumps_ends_no_lease(rig: Rig) -> None:
    """Leases and wake-ups know no time of day: all times in the ledger move by a year, and nothing follows."""
    job_id = rig.submit("copy", wake=False)
    claim = rig.ledger.jobs.claim("batch", "task")
    assert claim is not None
    for years in (1, -2):
        with rig.ledger.database.writing() as connection:
            moved = {name: jobs.c[name] + years * 31_556_952 for name in ("created", "queued", "started")}
            connection.execute(sql.update(jobs).values(**moved))
        silent_rounds(rig, rig.environment.lease_seconds - 1)
        assert rig.job(job_id).state == "running"
        assert rig.ledger.jobs.keep_alive(job_id, claim.token, None)
