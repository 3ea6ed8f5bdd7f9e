"""What the queue costs: time that one of two worker processes spends on a job beyond the job itself.

The same small work is done through the whole queue (embedded broker, SQLite, claim, heartbeat thread, nine result files
durably stored as one archive, fenced publish) and directly, in this process, with the files written as a command writes
them (the fastest of four turns, so that a busy machine can't flatter the queue). The figure is worker time per job:
wall time times two workers. `python -m benchmarks.queue_cost` prints it.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from worker import tasks
from worker.broker import QUEUES, Broker
from worker.embedded import broker_command
from worker.job import JobRequest
from worker.ledger import Ledger
from worker.result_folder import replace_result
from worker.settings import PROJECT, Environment, child_environment
from worker.storage import open_store
from worker.tasks import Outcome, Work

WORKERS = 2
JOBS = 400
FILES = 9
FILE_BYTES = 20_000
BAR_MS = 10.0
LIMIT_SECONDS = 120.0
KIND = "benchmark"
OWNER = "benchmark"


def small_work(work: Work) -> Outcome:
    """As many files as a conversion gives, and next to no work."""
    artwork = work.artwork.read()
    work.progress("files", 1, 1)
    return Outcome(files=((f"file{number}.png", artwork) for number in range(FILES)), summary={"length": len(artwork)})


tasks.KINDS[KIND] = small_work  # a worker learns of it by Celery's --include benchmarks.queue_cost


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueCost:
    """Milliseconds per job: worker time through the queue, time done directly, and jobs per second of wall time."""

    queued_ms: float
    direct_ms: float
    jobs_per_second: float

    @property
    def cost_ms(self) -> float:
        """What the queue costs one worker per job."""
        return self.queued_ms - self.direct_ms


def measure(jobs: int = JOBS) -> QueueCost:
    """Run `jobs` jobs through the queue at two workers, and as many directly."""
    with tempfile.TemporaryDirectory(prefix="mw-bench-") as name:
        folder = Path(name)
        wall = _through_the_queue(folder, jobs)
        return QueueCost(
            queued_ms=wall * WORKERS / jobs * 1000.0,
            direct_ms=min(_directly(folder / str(turn), jobs // 4) for turn in range(4)) / (jobs // 4) * 1000.0,
            jobs_per_second=jobs / wall,
        )


def _through_the_queue(folder: Path, jobs: int) -> float:
    """Seconds from the first claim to the last publication."""
    listen = folder / "broker.sock"
    environment = Environment(data_dir=folder, redis_url=f"redis+socket://{listen}")
    ledger, broker = Ledger(environment.database), Broker(environment)
    ledger.migrate()
    with (folder / "log").open("wb") as log:
        server = subprocess.Popen(broker_command(folder / "broker", listen), stdout=log, stderr=log)
        options = [
            "-A",
            "worker.process",
            "worker",
            "-c",
            str(WORKERS),
            "-Q",
            QUEUES["batch"],
            "-I",
            "benchmarks.queue_cost",
        ]
        variables = {"MASKWRIGHT_DATA_DIR": str(folder), "REDIS_URL": environment.redis_url}
        try:
            _submit(environment, ledger, broker, jobs, until=time.monotonic() + LIMIT_SECONDS)
            worker = subprocess.Popen(
                [sys.executable, "-m", "celery", *options],
                cwd=PROJECT,
                env=child_environment(variables),
                stdout=log,
                stderr=log,
            )
            try:
                return _await(ledger, jobs, until=time.monotonic() + LIMIT_SECONDS)
            finally:
                worker.terminate()
                worker.wait()
        finally:
            server.terminate()
            server.wait()
            broker.close()
            ledger.close()


def _submit(environment: Environment, ledger: Ledger, broker: Broker, jobs: int, *, until: float) -> None:
    artwork = "0" * 64
    store = open_store(environment)
    with store.spool() as spooled:
        spooled.write(bytes(FILE_BYTES))
        store.keep(f"artworks/{artwork}", spooled)
    ledger.fabs.create(OWNER, "none", "none", b"")
    for _ in range(jobs):
        ledger.jobs.add(
            JobRequest(
                owner=OWNER,
                kind=KIND,
                lane="batch",
                name="a.png",
                artwork=artwork,
                artwork_bytes=FILE_BYTES,
                fab_id="none",
                fab_revision="none",
                settings={},
                fingerprint="",
            )
        )
    while not _answers(broker):
        _check(until)
        time.sleep(0.05)
    for _ in range(jobs):
        broker.wake("batch")


def _answers(broker: Broker) -> bool:
    from worker.errors import UnavailableError

    try:
        broker.check()
    except UnavailableError:
        return False
    return True


def _await(ledger: Ledger, jobs: int, *, until: float) -> float:
    while ledger.jobs.waiting()["batch"]:
        _check(until)
        time.sleep(0.1)
    while True:
        done = ledger.jobs.page(OWNER, before=None, size=jobs)
        if all(job.finished for job in done):
            break
        _check(until)
        time.sleep(0.1)
    assert {job.state for job in done} == {"done"} and {job.attempt for job in done} == {1}
    return max(job.finished or 0.0 for job in done) - min(job.started or 0.0 for job in done)


def _check(until: float) -> None:
    if time.monotonic() > until:
        raise TimeoutError(f"the queue did not do its jobs in {LIMIT_SECONDS:g} s")


def _directly(folder: Path, jobs: int) -> float:
    """Seconds for the same work without a queue, its files written to a folder."""
    folder.mkdir()
    source = folder / "artwork"
    source.write_bytes(bytes(FILE_BYTES))
    started = time.perf_counter()
    for number in range(jobs):
        with source.open("rb") as artwork:
            data = artwork.read()
        replace_result(folder / "direct" / str(number), ((f"file{file}.png", data) for file in range(FILES)))
    return time.perf_counter() - started


def main() -> int:
    """Print the figure; exit status 0 if it is within the bar."""
    cost = measure()
    print(
        f"queue cost per job at {WORKERS} workers: {cost.cost_ms:.1f} ms of worker time (bar {BAR_MS:g} ms); "
        f"{cost.queued_ms:.1f} ms queued, {cost.direct_ms:.1f} ms directly, {cost.jobs_per_second:.0f} jobs/s"
    )
    return 0 if cost.cost_ms <= BAR_MS else 1


if __name__ == "__main__":
    sys.exit(main())
