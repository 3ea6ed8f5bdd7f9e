"""Workers that are told to stop: what runs may end, what is left goes back at once, and nothing is lost or counted."""

from __future__ import annotations

import signal

import pytest

from tests.worker.rig import Rig, alive, descendants, wait_for

pytestmark = pytest.mark.slow


def begun(rig: Rig, job_id: str) -> bool:
    return rig.job(job_id).progress is not None


def test_a_stopped_worker_lets_its_job_end_and_begins_no_other() -> None:
    with Rig(MASKWRIGHT_DRAIN_SECONDS="60") as rig:
        rig.start_broker()
        worker = rig.start_worker()
        first, second = rig.submit("sleep", seconds=2), rig.submit("copy")
        wait_for(lambda: begun(rig, first))
        worker.send_signal(signal.SIGTERM)
        assert worker.wait(60) == 0
        assert rig.job(first).state == "done" and rig.job(first).attempt == 1
        assert rig.job(second).state == "queued" and rig.job(second).attempt == 0


@pytest.mark.parametrize("kind", ["sleep", "deaf"])
def test_what_is_not_done_when_the_time_is_up_goes_back_at_once_and_uncounted(kind: str) -> None:
    """The lease is a minute: nobody but the stopped worker itself can have given the job back. Deaf code too."""
    with Rig(MASKWRIGHT_DRAIN_SECONDS="1", MASKWRIGHT_LEASE_SECONDS="60") as rig:
        rig.start_broker()
        worker = rig.start_worker()
        job_id = rig.submit(kind, seconds=300)
        wait_for(lambda: rig.job(job_id).state == "running")
        children = descendants(worker.pid)
        worker.send_signal(signal.SIGTERM)
        assert worker.wait(60) == 0
        job = rig.job(job_id)
        assert job.state == "queued" and job.attempt == 0
        wait_for(lambda: not any(alive(child) for child in children))


def test_workers_replaced_one_after_the_other_lose_nothing() -> None:
    with Rig(MASKWRIGHT_DRAIN_SECONDS="2", MASKWRIGHT_LEASE_SECONDS="60") as rig:
        rig.start_broker()
        old, new = [rig.start_worker(), rig.start_worker()], [rig.start_worker(), rig.start_worker()]
        jobs = []
        for worker in old:
            jobs += [rig.submit("sleep", seconds=0.5) for _ in range(6)] + [rig.submit("sleep", seconds=4)]
            wait_for(lambda: len(rig.ledger.jobs.signs()) >= 3)
            worker.send_signal(signal.SIGTERM)
            assert worker.wait(60) == 0
        for job_id in jobs:
            job = rig.ended(job_id)
            assert job.state == "done" and job.attempt == 1 and len(rig.results(job_id)) == 1
        assert all(worker.poll() is None for worker in new)
