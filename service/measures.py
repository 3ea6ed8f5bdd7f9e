"""Figures of the whole service for Prometheus: what waits and runs now, and what has ended since this process began.

They are counted from the ledger when somebody asks, so workers carry none of it and no job can be missed, however it
ended: each look takes up the jobs that ended since the last one.
"""

from __future__ import annotations

import shutil
import threading

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest

from worker.errors import MaskwrightError
from worker.ledger import Ledger
from worker.ledger.figures import MOST, Ended
from worker.settings import Environment

LAG_SECONDS = 2.0
"""A job's end is stamped a moment before others can see it: so late it is counted, once and surely."""

_SECONDS = (0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0, 300.0, 1800.0)


class Measures:
    """The figures of one process's looks at the ledger."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.lock = threading.Lock()
        self.seen: tuple[float, int] | None = None

        def gauge(name: str, text: str, *labels: str) -> Gauge:
            return Gauge(f"maskwright_{name}", text, labels, registry=self.registry)

        def counter(name: str, text: str, *labels: str) -> Counter:
            return Counter(f"maskwright_{name}", text, labels, registry=self.registry)

        def histogram(name: str, text: str, *labels: str) -> Histogram:
            return Histogram(f"maskwright_{name}", text, labels, registry=self.registry, buckets=_SECONDS)

        self.waiting = gauge("jobs_waiting", "Jobs that wait for a worker.", "lane")
        self.running = gauge("jobs_running", "Jobs that a worker has under way.", "lane")
        self.oldest = gauge("oldest_job_seconds", "Since when the oldest waiting job has been there.", "lane")
        self.free = gauge("disk_free_bytes", "Room left on the disk of the data directory.")
        self.ended = counter("jobs_ended", "Jobs that have ended.", "lane", "kind", "state")
        self.failures = counter("job_failures", "Jobs that have failed, by the code of their error.", "cause")
        self.lost = counter("job_attempts_lost", "Attempts of ended jobs that lost their worker.", "lane")
        self.waits = histogram("job_wait_seconds", "From a job's arrival to its last start.", "lane")
        self.works = histogram("job_work_seconds", "From a job's last start to its end.", "lane", "kind")
        self.stages = histogram("stage_seconds", "Each stage of finished jobs.", "stage")

    def begin(self, ledger: Ledger) -> None:
        """What ends from now on is counted."""
        self.seen = (ledger.figures.clock(), 0)

    def told(self, ledger: Ledger, environment: Environment) -> bytes:
        """Every figure as it is now, in Prometheus' text format. Raises UnavailableError."""
        with self.lock:
            for lane, queue in ledger.figures.queues().items():
                self.waiting.labels(lane).set(queue.queued)
                self.running.labels(lane).set(queue.running)
                self.oldest.labels(lane).set(queue.oldest_seconds)
            self.free.set(shutil.disk_usage(environment.data_dir).free)
            self._count(ledger)
            return generate_latest(self.registry)

    def _count(self, ledger: Ledger) -> None:
        if self.seen is None:
            raise MaskwrightError("Measuring has not begun.", mend="Report this as a fault of the program.")
        until = ledger.figures.clock() - LAG_SECONDS
        if until <= self.seen[0]:
            return
        while True:
            found, self.seen = ledger.figures.ended(self.seen, until)
            for job in found:
                self._take(job)
            if len(found) < MOST:
                return

    def _take(self, job: Ended) -> None:
        self.ended.labels(job.lane, job.kind, job.state).inc()
        if job.cause:
            self.failures.labels(job.cause).inc()
        if job.attempt > 1:
            self.lost.labels(job.lane).inc(job.attempt - 1)
        if job.attempt > 0:
            self.waits.labels(job.lane).observe(job.waited)
            self.works.labels(job.lane, job.kind).observe(job.seconds)
        for stage, seconds in job.stages.items():
            self.stages.labels(stage).observe(seconds)
