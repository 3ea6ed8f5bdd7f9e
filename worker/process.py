"""A worker: the Celery side of it. Start one per lane: `python -m celery -A worker.process worker -Q maskwright.batch`.

The parent process takes wake-ups and keeps house; each child process claims and does one job at a time. A child that
crashes, or is killed with its job, costs that job one attempt and nobody else anything.
"""

from __future__ import annotations

import logging
import os
import resource
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from celery import signals
from celery.exceptions import TimeLimitExceeded

from worker.broker import WORK, Broker
from worker.errors import MaskwrightError, UnavailableError
from worker.housekeeping import Housekeeping
from worker.job import LANES, read_lane
from worker.leash import die_with_parent
from worker.ledger import Ledger
from worker.settings import Environment, read_environment
from worker.storage import open_store
from worker.tasks import TOO_LONG, Bench, preload

log = logging.getLogger(__name__)

environment = read_environment()
broker = Broker(environment)
app = broker.app


@dataclass(slots=True)
class _Process:
    """What belongs to this process, parent or child; a fork makes its own."""

    ledger: Ledger | None = None
    bench: Bench | None = None
    housekeeping: Housekeeping | None = None


_here = _Process()
_quiet = threading.Lock()


CHAIN_SECONDS = 0.5
"""A wake-up does short jobs one after the other for so long; then another takes over, so that limits hold per job."""


def open_ledger(environment: Environment, *, pooled: bool) -> Ledger:
    """The ledger that the environment names."""
    return Ledger(
        environment.database,
        lease_seconds=environment.lease_seconds,
        attempts=environment.attempts,
        pooled=pooled,
    )


def _work(lane: str) -> None:
    if _here.bench is None:
        raise RuntimeError("the worker process has not started")
    began = time.monotonic()
    while _here.bench.work(read_lane(lane), app.current_task.request.id):
        if time.monotonic() - began > CHAIN_SECONDS:
            with suppress(UnavailableError):  # housekeeping sends it then
                broker.wake(read_lane(lane))
            return


app.task(name=WORK)(_work)


def _start_parent(**_: Any) -> None:
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    for name in ("alembic", "celery.app.trace", "celery.worker.strategy"):  # a line or more for every job
        logging.getLogger(name).setLevel(logging.WARNING)
    try:
        preload()
    except Exception:
        log.exception("the engine can't be loaded: every job will fail")
    _here.ledger = open_ledger(environment, pooled=False)
    _await_database(_here.ledger)
    os.register_at_fork(before=_quiet.acquire, after_in_parent=_quiet.release, after_in_child=_quiet.release)


def _await_database(ledger: Ledger) -> None:
    while True:
        try:
            return ledger.migrate()
        except UnavailableError as error:
            log.warning("waiting for the database: %s", error)
            time.sleep(2.0)


def _keep_house(**_: Any) -> None:
    if _here.ledger is not None:
        _here.housekeeping = Housekeeping(_here.ledger, broker, quiet=_quiet)
        _here.housekeeping.start()


def _start_child(**_: Any) -> None:
    die_with_parent(os.getppid())
    _limit_memory(environment.job_memory_mb * 1024 * 1024)
    _here.ledger = open_ledger(environment, pooled=True)
    _here.bench = Bench(
        ledger=_here.ledger,
        store=open_store(environment),
        tables=environment.data_dir.absolute() / "tables",
        threads=environment.threads_per_job,
    )


def _limit_memory(wanted: int) -> None:
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    limit = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    with suppress(ValueError, OSError):  # macOS knows the limit but does not take it
        resource.setrlimit(resource.RLIMIT_AS, (limit, hard))


def _lost_child(task_id: str | None = None, exception: BaseException | None = None, **_: Any) -> None:
    """A job's process is gone, or its task ended badly: give the job back at once instead of awaiting its lease."""
    if _here.ledger is None or task_id is None:
        return
    try:
        with _quiet:
            if isinstance(exception, TimeLimitExceeded):
                _here.ledger.jobs.fail_task(task_id, TOO_LONG)
            elif not _here.ledger.jobs.give_back_task(task_id):
                return
        for lane in LANES:
            broker.wake(lane)
    except MaskwrightError as error:
        log.warning("task %s: %s", task_id, error)


signals.worker_init.connect(_start_parent)
signals.worker_ready.connect(_keep_house)
signals.worker_process_init.connect(_start_child)
signals.task_failure.connect(_lost_child)
