"""What the queue does when things break: real broker, real worker processes, real signals."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator

import pytest

from tests.worker.rig import Rig, alive, descendants, wait_for
from worker.broker import WAKES_AT_MOST

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def rig() -> Iterator[Rig]:
    """One broker and one worker process for batch jobs, kept by all tests of this module.

    The lease is the default: a busy machine can take longer than the rig's own to tell why a process was lost.
    """
    with Rig(MASKWRIGHT_JOB_SECONDS="600", MASKWRIGHT_JOB_MEMORY_MB="2048", MASKWRIGHT_LEASE_SECONDS="12") as rig:
        rig.start_broker()
        rig.start_worker()
        yield rig


def test_a_job_goes_through_and_leaves_its_files(rig: Rig) -> None:
    job = rig.ended(rig.submit("copy"))
    assert job.state == "done" and job.summary is not None and job.summary["length"] == 7
    result = rig.ledger.jobs.package("local", job.id)
    assert [(file.path, file.media_type) for file in result.files] == [
        ("masks/copy.png", "image/png"),
        ("report.json", "application/json"),
    ]
    first = result.files[0]
    assert b"".join(rig.store.read(result.key, first.start, first.start + first.bytes)) == b"artwork"


def test_progress_is_seen_while_the_job_runs(rig: Rig) -> None:
    job_id = rig.submit("sleep", seconds=2)
    progress = wait_for(lambda: rig.job(job_id).progress)
    assert progress.stage == "separation" and 0 <= progress.done < progress.of == 20
    assert rig.ended(job_id).state == "done"


def test_a_wake_up_that_was_lost_is_sent_again(rig: Rig) -> None:
    assert rig.ended(rig.submit("copy", wake=False)).state == "done"


def test_wake_ups_too_many_do_no_harm(rig: Rig) -> None:
    for _ in range(20):
        rig.broker.wake("batch")
    jobs = [rig.submit("copy") for _ in range(10)]
    assert [rig.ended(job).attempt for job in jobs] == [1] * 10
    assert all(len(rig.results(job)) == 1 for job in jobs)


def test_wake_ups_never_pile_up() -> None:
    with Rig() as rig:
        rig.start_broker()
        for _ in range(3 * WAKES_AT_MOST):
            rig.broker.wake("batch")
        assert rig.broker.waiting("batch") == WAKES_AT_MOST and rig.broker.waiting("interactive") == 0


def test_one_wake_up_is_enough_for_many_jobs(rig: Rig) -> None:
    jobs = [rig.submit("copy", wake=False) for _ in range(50)]
    rig.broker.wake("batch")
    assert {rig.ended(job).state for job in jobs} == {"done"}


def test_a_killed_child_costs_one_attempt_and_the_job_ends_once(rig: Rig) -> None:
    job_id = rig.submit("sleep", seconds=2)
    os.kill(rig.process_of(job_id), signal.SIGKILL)
    job = rig.ended(job_id)
    assert job.state == "done" and job.attempt == 2 and len(rig.results(job_id)) == 1


@pytest.mark.parametrize(
    ("kind", "code", "attempts", "words"),
    [
        ("crash", "crashed", 3, ("SIGSEGV", "3 times")),
        ("killed", "killed", 3, ("memory", "3 times")),
        ("hungry", "too-much-memory", 1, ("memory",)),
    ],
)
def test_poison_fails_with_its_cause_at_the_back_of_the_line(
    rig: Rig, kind: str, code: str, attempts: int, words: tuple[str, ...]
) -> None:
    """One slot: good jobs, of the same owner and asked for later, wait for one of its attempts at most."""
    bad = rig.submit(kind)
    wait_for(lambda: rig.job(bad).attempt)
    good = [rig.submit("copy") for _ in range(3)]
    failed = rig.ended(bad)
    assert failed.state == "failed" and failed.attempt == attempts and failed.failure is not None
    assert failed.failure.code == code and all(word in failed.failure.what for word in words)
    assert failed.failure.mend.endswith(".")
    for job_id in good:
        job = rig.ended(job_id)
        assert job.state == "done" and job.attempt == 1
        if attempts > 1:
            assert job.started is not None and failed.started is not None and job.started < failed.started


def test_a_cancelled_job_stops_and_the_next_one_runs(rig: Rig) -> None:
    job_id = rig.submit("sleep", seconds=300)
    child = rig.process_of(job_id)
    rig.ledger.jobs.cancel("local", job_id)
    assert rig.ended(rig.submit("copy")).state == "done"
    assert rig.job(job_id).state == "cancelled" and rig.results(job_id) == set()
    assert alive(child), "a job that hears the cancellation does not cost its process"


def test_a_cancelled_job_that_does_not_listen_is_killed(rig: Rig) -> None:
    job_id = rig.submit("busy", seconds=300)
    child = rig.process_of(job_id)
    rig.ledger.jobs.cancel("local", job_id)
    wait_for(lambda: not alive(child))
    assert rig.ended(rig.submit("copy")).state == "done"
    assert rig.job(job_id).state == "cancelled" and rig.job(job_id).attempt == 1


def test_a_fault_of_the_program_fails_the_job_and_tells_nothing_of_the_machine(rig: Rig) -> None:
    failed = rig.ended(rig.submit("faulty"))
    assert failed.failure is not None and failed.failure.code == "internal" and failed.attempt == 1
    assert "secret" not in failed.failure.what + failed.failure.mend and "secret place" in rig.logs()


def test_an_artwork_that_is_gone_fails_the_job_at_once(rig: Rig) -> None:
    job_id = rig.submit("copy", wake=False)
    rig.store.delete("artworks/" + "0" * 64)
    rig.broker.wake("batch")
    failed = rig.ended(job_id)
    assert failed.failure is not None and failed.failure.code == "storage" and "gone" in failed.failure.what
    assert failed.attempt == 1


def test_a_process_that_is_stopped_keeps_neither_its_job_nor_its_slot(rig: Rig) -> None:
    """One slot: the same worker takes the job from its stopped process, and does it in a new one."""
    job_id = rig.submit("stop_once")
    asleep = rig.process_of(job_id)
    job = rig.ended(job_id)
    assert job.state == "done" and job.attempt == 2 and len(rig.results(job_id)) == 1
    wait_for(lambda: not alive(asleep))


def test_nothing_is_lost_when_the_broker_is_killed_under_load(rig: Rig) -> None:
    for _ in range(2):
        jobs = [rig.submit("sleep", seconds=0.2) for _ in range(8)]
        rig.kill_broker()
        jobs += [rig.submit("copy", wake=False) for _ in range(4)]
        rig.start_broker()
        for job_id in jobs:
            job = rig.ended(job_id)
            assert job.state == "done" and job.attempt == 1 and len(rig.results(job_id)) == 1


def test_a_killed_worker_leaves_no_child_and_its_job_ends_elsewhere(rig: Rig) -> None:
    job_id = rig.submit("sleep", seconds=3)
    child = rig.process_of(job_id)
    worker = next(process for process in rig.processes if child in descendants(process.pid))
    worker.kill()
    worker.wait()
    wait_for(lambda: not alive(child))
    rig.start_worker()
    job = rig.ended(job_id)
    assert job.state == "done" and job.attempt == 2


def test_time_limits_end_a_job_for_good_whether_it_listens_or_not() -> None:
    with Rig(MASKWRIGHT_JOB_SECONDS="2", MASKWRIGHT_LEASE_SECONDS="60") as rig:
        rig.start_broker()
        rig.start_worker(time_limit=4)
        for kind in ("sleep", "deaf"):  # the first hears the soft limit, the second nothing at all
            failed = rig.ended(rig.submit(kind, seconds=300))
            assert failed.failure is not None and failed.failure.code == "too-long" and failed.attempt == 1
        assert rig.ended(rig.submit("copy")).state == "done"
