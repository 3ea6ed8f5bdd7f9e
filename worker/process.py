"""A worker: the Celery side of it. Start one per lane: `python -m celery -A worker.process worker -Q maskwright.batch`.

The parent process takes wake-ups and keeps house; each child process claims and does one job at a time. A child that
crashes, or is killed with its job, costs that job one attempt and nobody else anything. On SIGTERM no job is begun any
more; those under way have MASKWRIGHT_DRAIN_SECONDS to end, and go back to the queue at once where they haven't.
"""

from __future__ import annotations

import logging
import mmap
import os
import re
import resource
import signal
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from celery import signals
from celery.exceptions import TimeLimitExceeded
from celery.worker import state

from worker.broker import QUEUES, WORK, Broker
from worker.errors import MaskwrightError, UnavailableError
from worker.housekeeping import Housekeeping
from worker.job import LANES, Failure, Lane, read_lane
from worker.kept_memory import keep_freed_memory
from worker.leash import die_with_parent
from worker.ledger import Ledger
from worker.log_lines import set_up_logging
from worker.program_revision import program_revision
from worker.settings import Environment, read_environment
from worker.storage import open_store
from worker.tasks import TOO_LONG, Bench, preload, ready_for_drafts
from worker.tracing import open_tracing
from worker.watchdog import Slots, Watchdog, end, kill

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
_stopping = mmap.mmap(-1, 1)
"""One byte that the parent shares with its children: not 0 once no job may be begun any more."""

STOP_SPARE_SECONDS = 3.0
"""A worker that is to stop has so long, beyond the time of its jobs, to leave in order."""


CHAIN_SECONDS = 0.5
"""A wake-up does short jobs one after the other for so long; then another takes over, so that limits hold per job."""


def open_ledger(environment: Environment, *, pooled: bool) -> Ledger:
    """The ledger that the environment names."""
    return Ledger(
        environment.database,
        lease_seconds=environment.lease_seconds,
        attempts=environment.attempts,
        program=program_revision(),
        pooled=pooled,
    )


def _work(lane: str) -> None:
    if _here.bench is None:
        raise RuntimeError("the worker process has not started")
    began = time.monotonic()
    try:
        while not _stopping[0] and _here.bench.work(read_lane(lane), app.current_task.request.id):
            if time.monotonic() - began > CHAIN_SECONDS:
                broker.wake(read_lane(lane))
                return
    except UnavailableError as error:  # housekeeping wakes again when all is back
        log.warning("lane %s: %s", lane, error)


app.task(name=WORK)(_work)


def _start_parent(**_: Any) -> None:
    try:
        preload(drafts="interactive" in _lanes())
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


def _keep_house(sender: Any = None, **_: Any) -> None:
    if _here.ledger is None:
        return
    watchdog = Watchdog(
        lanes=_lanes(),
        stall_seconds=environment.stall_seconds,
        slots=_slots,
        kill=kill,
        end=end,
    )
    _here.housekeeping = Housekeeping(_here.ledger, broker, quiet=_quiet, watchdog=watchdog)
    _here.housekeeping.start()


def _lanes() -> list[Lane]:
    """The lanes that this worker takes jobs of."""
    taken = set(app.amqp.queues.consume_from)
    return [lane for lane in LANES if QUEUES[lane] in taken]


def _slots() -> Slots:
    while True:
        with suppress(RuntimeError):  # the set changed while it was read
            requests = list(state.active_requests)
            break
    return Slots(
        busy={request.id: request.worker_pid for request in requests if request.worker_pid},
        begun=state.total_count[WORK],
    )


def _stop(**_: Any) -> None:
    """Called on SIGTERM, in a signal handler: Celery waits for its tasks from here on, and this bounds it."""
    if not _stopping[0]:
        _stopping[0] = 1
        threading.Thread(target=_drain, name="drain", daemon=True).start()


def _drain() -> None:
    """Ends with the process when all jobs are done; otherwise gives back what is left, uncounted, and ends it."""
    until = time.monotonic() + environment.drain_seconds
    while _slots().busy and time.monotonic() < until:
        time.sleep(0.05)
    left = _slots().busy
    log.info("stopping: %d jobs under way go back to the queue", len(left))
    for task_id, pid in left.items():
        kill(pid)
        _give_back_at_stop(task_id)
    if not left:
        time.sleep(STOP_SPARE_SECONDS)
    os._exit(0)


def _give_back_at_stop(task_id: str) -> None:
    until = time.monotonic() + STOP_SPARE_SECONDS
    while _here.ledger is not None and time.monotonic() < until:
        try:
            with _quiet:
                _here.ledger.jobs.give_back_task(task_id)
            return
        except MaskwrightError as error:
            log.warning("task %s: %s", task_id, error)
            time.sleep(0.2)


def _start_child(**_: Any) -> None:
    die_with_parent(os.getppid())
    _limit_memory(environment.job_memory_mb * 1024 * 1024)
    _offer_to_the_kernel()
    keep_freed_memory()
    _here.ledger = open_ledger(environment, pooled=True)
    _here.bench = Bench(
        ledger=_here.ledger,
        store=open_store(environment),
        tables=environment.data_dir.absolute() / "tables",
        threads=environment.threads_per_job,
        tracing=open_tracing(environment, "worker"),
    )
    if "interactive" in _lanes():
        try:
            ready_for_drafts()
        except Exception:
            log.exception("the decoder can't be loaded: jobs that need it will fail")


def _limit_memory(wanted: int) -> None:
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    limit = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    with suppress(ValueError, OSError):  # macOS knows the limit but does not take it
        resource.setrlimit(resource.RLIMIT_AS, (limit, hard))


def _offer_to_the_kernel() -> None:
    """Where the machine itself runs out of memory, a job's process is to be killed, and nothing that others need."""
    with suppress(OSError):  # Linux only
        Path("/proc/self/oom_score_adj").write_text("500")


def _lost_child(task_id: str | None = None, exception: BaseException | None = None, **_: Any) -> None:
    """A job's process is gone, or its task ended badly: give the job back at once instead of awaiting its lease."""
    if _here.ledger is None or task_id is None:
        return
    try:
        with _quiet:
            if isinstance(exception, TimeLimitExceeded):
                _here.ledger.jobs.fail_task(task_id, TOO_LONG)
            elif not _here.ledger.jobs.give_back_task(task_id, None if _stopping[0] else _cause(str(exception))):
                return
        for lane in LANES:
            broker.wake(lane)
    except MaskwrightError as error:
        log.warning("task %s: %s", task_id, error)


def _cause(told: str) -> Failure:
    """Why a job's process was lost, from what Celery tells: `... signal 11 (SIGSEGV) ...` or `... exitcode 1 ...`."""
    number = re.search(r"signal (\d+)", told)
    if number is None:
        return CRASHED
    name = signal.Signals(int(number[1])).name
    if name == "SIGKILL":
        return KILLED
    return Failure(code=CRASHED.code, what=f"The job crashed its process ({name}).", mend=CRASHED.mend)


CRASHED = Failure(
    code="crashed",
    what="The job crashed its process.",
    mend="Its artwork is damaged, or meets a fault of the program: save it anew in another format, or as pixels if it "
    "is an SVG; please report it if that does not help.",
)
KILLED = Failure(
    code="killed",
    what="The job's process was killed from outside, most likely since the machine ran out of memory.",
    mend="Try a smaller artwork or a coarser pitch, or set MASKWRIGHT_JOB_MEMORY_MB to what the machine has for each "
    "worker process.",
)


def _log(**_: Any) -> None:
    """Celery sets up no logging of its own where somebody else does."""
    set_up_logging(environment, "worker")


signals.celeryd_init.connect(_log)  # before its first warning
signals.setup_logging.connect(_log)
signals.worker_init.connect(_start_parent)
signals.worker_ready.connect(_keep_house)
signals.worker_process_init.connect(_start_child)
signals.task_failure.connect(_lost_child)
signals.worker_shutting_down.connect(_stop)
