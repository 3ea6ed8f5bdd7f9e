"""Several machines: PostgreSQL, Redis and an S3 server, and two worker hosts in networks of their own, one cut off.

What holds for the embedded parts holds here: the very same tests run on both, a choice of them in `make test` and all
in `make faults`. Servers and hosts are real but for the store, for which moto's server stands.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator

import pytest

from tests.engine.sweeps import WHOLE, sweep_size
from tests.worker import test_queue
from tests.worker.machines import Machines, machines
from tests.worker.rig import Rig, wait_for
from worker.errors import UnavailableError
from worker.settings import PROJECT

pytestmark = pytest.mark.slow

RECOVERY_SECONDS = 20.0
LONG_CUT_SECONDS = 60.0


@pytest.fixture(scope="module")
def rig() -> Iterator[Machines]:
    """The servers, and one worker process for batch jobs on each of two hosts, kept by all tests of this module."""
    with machines(MASKWRIGHT_JOB_SECONDS="600", MASKWRIGHT_JOB_MEMORY_MB="2048", MASKWRIGHT_LEASE_SECONDS="3") as rig:
        workers = [rig.start_worker(host=host, wait=False) for host in range(2)]
        for worker in workers:
            rig.await_worker(worker)
        yield rig


SAME: tuple[Callable[[Rig], None], ...] = (
    test_queue.test_a_job_goes_through_and_leaves_its_files,
    test_queue.test_one_wake_up_is_enough_for_many_jobs,
    test_queue.test_a_killed_child_costs_one_attempt_and_the_job_ends_once,
    test_queue.test_nothing_is_lost_when_the_broker_is_killed_under_load,
)
SAME_AT_LENGTH = (
    test_queue.test_progress_is_seen_while_the_job_runs,
    test_queue.test_a_wake_up_that_was_lost_is_sent_again,
    test_queue.test_wake_ups_too_many_do_no_harm,
    test_queue.test_a_cancelled_job_stops_and_the_next_one_runs,
    test_queue.test_a_cancelled_job_that_does_not_listen_is_killed,
    test_queue.test_a_fault_of_the_program_fails_the_job_and_tells_nothing_of_the_machine,
    test_queue.test_an_artwork_that_is_gone_fails_the_job_at_once,
    test_queue.test_a_process_that_is_stopped_keeps_neither_its_job_nor_its_slot,
)


@pytest.mark.parametrize("same", [*SAME, *(SAME_AT_LENGTH if WHOLE else ())], ids=lambda same: same.__name__)
def test_the_same_holds_on_servers_as_on_the_embedded_parts(rig: Machines, same: Callable[[Rig], None]) -> None:
    same(rig)


def test_a_host_that_is_cut_off_loses_its_job_to_the_other_and_changes_nothing_once_it_is_back(rig: Machines) -> None:
    """Its job ends when it is back, and its result is stored and told of before anybody can have stopped it."""
    job_id = rig.submit("held")
    pid = rig.process_of(job_id)
    cut, _ = sorted(rig.net.hosts, key=lambda host: pid not in pids(host.namespace))
    cut.cut()
    job = rig.ended(job_id, RECOVERY_SECONDS)
    assert job.state == "done" and job.attempt == 2 and job.summary is not None and job.summary["attempt"] == 2
    before = rig.ledger.jobs.package("local", job_id)
    meanwhile = [rig.submit("copy") for _ in range(4)]
    assert {rig.ended(each).state for each in meanwhile} == {"done"}, "the other host works on alone"
    cut.mend()
    (rig.data_of(cut) / "let-go").touch()
    said = f"job {job_id} was cancelled or given away: its result is dropped"
    wait_for(lambda: said in rig.logs(), LONG_CUT_SECONDS)
    assert len(rig.results(job_id)) == 2, "both hosts have written what they made"
    after = rig.ledger.jobs.package("local", job_id)
    assert after == before and rig.job(job_id) == job
    made = {file.path: b"".join(rig.store.read(after.key, file.start, file.start + file.bytes)) for file in after.files}
    assert made == {"masks/copy.png": b"artwork", "attempt.txt": b"2"}


def test_a_host_that_falls_silent_in_the_middle_of_a_claim_holds_nobody_up(rig: Machines) -> None:
    """To the database it is a client with an open transaction, which holds the row that every claim needs."""
    assert rig.ended(rig.submit("copy"), RECOVERY_SECONDS).state == "done"
    with pytest.raises(UnavailableError), rig.ledger.database.writing() as silent:
        assert silent.exec_driver_sql("UPDATE turns SET turn = turn WHERE owner = ''").rowcount == 1
        assert rig.ended(rig.submit("copy"), RECOVERY_SECONDS).state == "done"


@pytest.mark.parametrize("how", ["killed", *(["stopped"] if WHOLE else [])])
def test_a_database_that_is_started_again_costs_no_job_an_attempt(rig: Machines, how: str) -> None:
    jobs = [rig.submit("sleep", seconds=3) for _ in range(4)]
    wait_for(lambda: rig.job(jobs[0]).progress and rig.job(jobs[1]).progress)
    (rig.database.kill if how == "killed" else rig.database.stop)()
    rig.database.start()
    for job_id in jobs:
        job = rig.ended(job_id, RECOVERY_SECONDS)
        assert job.state == "done" and job.attempt == 1 and len(rig.results(job_id)) == 1, job.failure


CLIENT = """
import sys
from worker.errors import UnavailableError
from worker.settings import PROJECT
from worker.ledger import Ledger
ledger = Ledger(sys.argv[1])
ledger.check()
print("there", flush=True)
sys.stdin.readline()
try:
    ledger.check()
except UnavailableError:
    print("away", flush=True)
"""


def test_who_is_cut_off_hears_of_it_soon_and_works_again_soon_after(rig: Machines) -> None:
    """A client with a connection from before the cut, such as the HTTP server has, and a worker with a job under way.

    The cut is long enough for a kernel to try again only now and then what could not be sent.
    """
    job_id = rig.submit("sleep", seconds=8)
    pid = rig.process_of(job_id)
    cut, other = sorted(rig.net.hosts, key=lambda host: pid not in pids(host.namespace))
    client = subprocess.Popen(
        cut.command(sys.executable, "-c", CLIENT, rig.database.url),
        cwd=PROJECT, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    assert client.stdin is not None and client.stdout is not None and client.stdout.readline() == "there\n"
    cut.cut()
    told, _ = client.communicate("\n", timeout=RECOVERY_SECONDS)
    assert told == "away\n"
    time.sleep(sweep_size(0, 60))
    cut.mend()
    assert rig.ended(job_id, RECOVERY_SECONDS).state == "done"
    other.cut()
    try:
        assert rig.ended(rig.submit("copy"), RECOVERY_SECONDS).state == "done"
    finally:
        other.mend()
    assert rig.ended(rig.submit("copy"), RECOVERY_SECONDS).state == "done"


def pids(namespace: str) -> set[int]:
    """Every process of a host."""
    listed = subprocess.run(["ip", "netns", "pids", namespace], check=True, capture_output=True, text=True)
    return {int(pid) for pid in listed.stdout.split()}
