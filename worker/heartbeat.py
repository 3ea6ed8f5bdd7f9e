"""Signs of life of a job: a thread that gives them, notes its progress, and stops it when it is lost."""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from types import TracebackType

from worker.errors import CancelledError, MaskwrightError
from worker.job import Claim, Lane, Progress
from worker.ledger.jobs import Jobs

TICK_SECONDS: dict[Lane, float] = {"batch": 0.5, "interactive": 0.1}
"""An interactive job that is no longer wanted keeps one waiting that somebody waits for."""
GRACE_SECONDS = 3.0
"""A job that is no longer wanted has so long to stop by itself before its process is killed."""

log = logging.getLogger(__name__)


class Heartbeat:
    """Keeps one claim alive while the `with` block runs.

    A sign is given every quarter of the lease's time, and at each tick that finds new progress. A job that was
    cancelled or given to another worker is told so at its next progress report; one that doesn't report is killed with
    its process, for a call into C code can't be stopped otherwise.
    """

    def __init__(self, jobs: Jobs, claim: Claim) -> None:
        self.jobs = jobs
        self.claim = claim
        self.parent = os.getppid()
        self.latest: Progress | None = None
        self.lost = threading.Event()
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._beat, name="heartbeat", daemon=True)

    def __enter__(self) -> Heartbeat:
        self.thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop.set()
        self.thread.join()

    def report(self, stage: str, done: int, of: int) -> None:
        """Take the engine's progress. Raises CancelledError when the job is no longer wanted."""
        self.latest = Progress(stage=stage, done=done, of=of)
        if self.lost.is_set():
            raise CancelledError("The job is no longer wanted.", mend="Nothing to do: it was cancelled or given away.")

    def _beat(self) -> None:
        noted: Progress | None = None
        given = time.monotonic()
        while not self.stop.wait(TICK_SECONDS[self.claim.job.lane]):
            if os.getppid() != self.parent:
                os._exit(1)
            latest = self.latest
            changed = latest is not noted
            if not changed and time.monotonic() - given < self.jobs.lease_seconds / 4:
                continue
            try:
                alive = self.jobs.keep_alive(self.claim.job.id, self.claim.token, latest if changed else None)
            except MaskwrightError as error:
                log.warning("job %s: no sign of life: %s", self.claim.job.id, error)
                continue
            noted, given = latest, time.monotonic()
            if not alive:
                return self._end()

    def _end(self) -> None:
        self.lost.set()
        if not self.stop.wait(GRACE_SECONDS):
            log.warning("job %s is no longer wanted and does not stop: ending its process", self.claim.job.id)
            os.kill(os.getpid(), signal.SIGKILL)
