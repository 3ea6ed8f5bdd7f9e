"""What has to be done now and then, by any process, as often as one likes: lost jobs, lost wake-ups, left-overs."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext

from worker.broker import WAKES_AT_MOST, Broker
from worker.errors import MaskwrightError
from worker.job import LANES, Sign
from worker.ledger import Ledger
from worker.patience import Patience
from worker.retention import KEEP_ALL, Retention
from worker.storage import ObjectStore
from worker.watchdog import Watchdog

TICK_SECONDS = 1.0
SWEEP_SECONDS = 600.0
RESULT_AGE_SECONDS = 3600.0
UPLOAD_AGE_SECONDS = 86400.0
ASKED_AGE_SECONDS = 3600.0
"""Answers that a request waited for are kept so long, for whoever had to fetch them later."""
BATCH = 500
"""So many objects are looked up by one question to the ledger."""
SPARE_SECONDS = 3.0
"""A job's own worker speaks first: others give its silent job back so much later. Only it can free the slot."""

log = logging.getLogger(__name__)


class Housekeeping:
    """A thread that keeps the queue moving.

    `quiet` is held whenever it touches a database: a process that forks takes it first, so that no child is born with
    another thread's lock. `store` is None in such a process: a bucket's client does not survive a fork. `watchdog` is
    that of the worker whose parent process this is.
    """

    def __init__(
        self,
        ledger: Ledger,
        broker: Broker,
        *,
        store: ObjectStore | None = None,
        retention: Retention = KEEP_ALL,
        quiet: AbstractContextManager[object] | None = None,
        watchdog: Watchdog | None = None,
    ) -> None:
        self.ledger = ledger
        self.store = store
        self.retention = retention
        self.broker = broker
        self.quiet = quiet or nullcontext()
        self.watchdog = watchdog
        self.silence: Patience[Sign] = Patience()
        self.swept = time.monotonic()
        self.stopped = threading.Event()
        self.thread = threading.Thread(target=self._run, name="housekeeping", daemon=True)

    def start(self) -> None:
        """Begin."""
        self.thread.start()

    def stop(self) -> None:
        """End, after the round that is under way."""
        self.stopped.set()
        self.thread.join()

    def _run(self) -> None:
        while not self.stopped.wait(TICK_SECONDS):
            try:
                self.round()
            except MaskwrightError as error:
                log.warning("housekeeping: %s", error)
            except Exception:
                log.exception("housekeeping")

    def round(self) -> None:
        """One round: give silent jobs back, send missing wake-ups, look at the slots, and sometimes sweep the store."""
        with self.quiet:
            signs, waiting = self.ledger.jobs.round()
        self._give_back_silent(signs)
        for lane in LANES:
            wanted = min(waiting[lane], WAKES_AT_MOST)
            for _ in range(wanted and wanted - self.broker.waiting(lane)):
                self.broker.wake(lane)
        if self.watchdog is not None:
            self.watchdog.look(signs, waiting)
        if self.store is not None and time.monotonic() - self.swept > SWEEP_SECONDS:
            self.swept = time.monotonic()
            self.sweep(self.store, time.time())

    def _give_back_silent(self, signs: Sequence[Sign]) -> None:
        own = self.watchdog.slots().busy if self.watchdog is not None else {}
        for sign, seconds in self.silence.look(signs).items():
            if seconds < self.ledger.jobs.lease_seconds + (0.0 if sign.task_id in own else SPARE_SECONDS):
                continue
            with self.quiet:
                given_back = self.ledger.jobs.give_back_silent(sign)
            if given_back:
                log.warning("job %s gave no sign of life for %.0f s: given back", sign.job_id, seconds)
                if self.watchdog is not None:
                    self.watchdog.free(sign.task_id)

    def sweep(self, store: ObjectStore, moment: float) -> None:
        """Forget old answers and results; remove what no job owns or uses, once it is old enough.

        Nothing is removed while a backup copies the store.
        """
        with store.removing() as may:
            if may:
                self._remove(store, moment)

    def _remove(self, store: ObjectStore, moment: float) -> None:
        with self.quiet:
            self.ledger.jobs.forget_asked(seconds=ASKED_AGE_SECONDS)
            self.retention.apply(self.ledger, store)
        store.sweep(moment - UPLOAD_AGE_SECONDS)
        for keys in _batches(store, "results", moment - RESULT_AGE_SECONDS):
            with self.quiet:
                owned = self.ledger.jobs.owned({_result(key) for key in keys})
            for key in keys:
                if _result(key) not in owned:
                    store.delete(key)
        for keys in _batches(store, "artworks", moment - UPLOAD_AGE_SECONDS):
            with self.quiet:
                used = self.ledger.jobs.used_artworks({key.split("/")[1] for key in keys})
            for key in keys:
                artwork = key.split("/")[1]
                if artwork not in used and not self._used(artwork):  # it may have been asked for meanwhile
                    store.delete(key)
        for stored in list(store.list("inputs")):
            if stored.modified < moment - UPLOAD_AGE_SECONDS and not self._read(stored.key):
                store.delete(stored.key)

    def _used(self, artwork: str) -> bool:
        with self.quiet:
            return self.ledger.jobs.uses_artwork(artwork)

    def _read(self, key: str) -> bool:
        with self.quiet:
            return self.ledger.jobs.uses_input(key)


def _batches(store: ObjectStore, prefix: str, older_than: float) -> Iterator[list[str]]:
    """The keys under a prefix that were written before this moment, some hundreds at a time."""
    keys = [stored.key for stored in store.list(prefix) if stored.modified < older_than]
    return (keys[start : start + BATCH] for start in range(0, len(keys), BATCH))


def _result(key: str) -> tuple[str, str]:
    """A result's job and the token that it was written under."""
    _, job_id, token, *_ = key.split("/")
    return job_id, token
