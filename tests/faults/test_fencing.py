"""A worker that was stopped past its lease and comes back: it changes nothing."""

from __future__ import annotations

import signal

import pytest

from tests.worker.rig import Rig, alive, descendants, send, state, tree, wait_for

pytestmark = pytest.mark.slow


def test_a_worker_that_was_stopped_past_its_lease_publishes_nothing() -> None:
    """All of a worker stops in the middle of a job, as a machine that sleeps; another ends the job meanwhile."""
    with Rig(MASKWRIGHT_LEASE_SECONDS="2") as rig:
        rig.start_broker()
        workers = [rig.start_worker(), rig.start_worker()]
        job_id = rig.submit("stop_worker_once")
        job = rig.ended(job_id)
        assert job.state == "done" and job.attempt == 2
        before = rig.ledger.jobs.package("local", job_id)
        (first,) = [worker for worker in workers if state(worker.pid) == "T"]
        asleep = next(pid for pid in descendants(first.pid) if state(pid) == "T")
        send(signal.SIGCONT, tree(first.pid))
        # It writes what nobody takes, or is told first that the job is no longer its own: then it stops, or is stopped.
        wait_for(lambda: _ended_without_effect(rig, job_id) or not alive(asleep))
        others = [rig.submit("copy") for _ in range(4)]
        assert {rig.ended(other).state for other in others} == {"done"}
        assert rig.ledger.jobs.package("local", job_id) == before and rig.job(job_id).attempt == 2


def _ended_without_effect(rig: Rig, job_id: str) -> bool:
    return any(f"job {job_id} {how}" in rig.logs() for how in ("dropped", "stopped"))
