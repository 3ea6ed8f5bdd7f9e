"""Jobs through a real queue on real servers, for figures: asked for, awaited, counted, timed."""

from __future__ import annotations

import hashlib
import time
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import sqlalchemy as sql

from benchmarks import queue_cost
from benchmarks.counters import Counters, Counts
from tests.worker.machines import Machines
from tests.worker.rig import put
from worker.job import Job, JobRequest
from worker.settings import PROJECT

ARTWORKS = PROJECT / "samples" / "artworks"
FABS = PROJECT / "samples" / "fabs"
LIMIT_SECONDS = 240.0
LOOK_SECONDS = 0.25

UNFINISHED = "SELECT count(*) FROM jobs WHERE finished IS NULL /* our own look, as pg_stat_ is */"


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What is asked for: an artwork, a fab and settings; None: the work of benchmarks/queue_cost.py."""

    artwork: Path
    fab: str
    settings: dict[str, Any] | None = None


TRIVIAL = Order(artwork=ARTWORKS / "quillmere-badge.png", fab="nocturne-gold")
"""A job that is all queue: nine files of its artwork's bytes, and no work."""

QUICK = tuple(
    Order(
        artwork=ARTWORKS / "quillmere-badge.png",
        fab="nocturne-gold",
        settings={"width": f"{width}mm", "pitch": "50um", "edges": "threshold"},
    )
    for width in (20, 30, 45)
)
"""Real conversions, small ones."""


def typical() -> tuple[Order, ...]:
    """The samples of one side as the demo orders them, at the default pitch."""
    listed = tomllib.loads((ARTWORKS / "settings.toml").read_text("utf-8"))
    return tuple(
        Order(artwork=ARTWORKS / name, fab=order["fab"], settings={k: v for k, v in order.items() if k != "fab"})
        for name, order in listed.items()
        if "bottom" not in order
    )


class MeasuredQueue:
    """A queue on servers of this machine. `ask` puts a job in without HTTP, as the HTTP server does by the ledger."""

    def __init__(self, rig: Machines) -> None:
        self.rig = rig
        self.counters = Counters(rig)
        self.looks = 0
        self.stored: dict[Path, str] = {}
        self.fabs: dict[tuple[str, str], str] = {}
        engine = sql.create_engine(rig.database.url, isolation_level="AUTOCOMMIT")
        self.eye = engine.connect()

    def ask(self, order: Order, *, owner: str = "local") -> str:
        """Put one job into the queue and wake a worker; its id."""
        self.prepare([order], owner)
        job, _ = self.rig.ledger.jobs.add(
            JobRequest(
                owner=owner,
                kind=queue_cost.KIND if order.settings is None else "convert",
                lane="batch",
                name=order.artwork.name,
                artwork=self.stored[order.artwork],
                artwork_bytes=order.artwork.stat().st_size,
                fab_id=order.fab,
                fab_revision=self.fabs[owner, order.fab],
                settings=order.settings or {},
                fingerprint="",
            )
        )
        self.rig.broker.wake("batch")
        return job.id

    def prepare(self, orders: Sequence[Order], owner: str) -> None:
        """Store the artworks and the fabs that these orders name, once."""
        for order in orders:
            if order.artwork not in self.stored:
                data = order.artwork.read_bytes()
                self.stored[order.artwork] = hashlib.sha256(data).hexdigest()
                put(self.rig.store, f"artworks/{self.stored[order.artwork]}", data)
            if (owner, order.fab) not in self.fabs:
                self.rig.ledger.fabs.create(owner, order.fab, "1", (FABS / f"{order.fab}.toml").read_bytes())
                self.fabs[owner, order.fab] = self.rig.ledger.fabs.get(owner, order.fab).revision

    def ended(self, ids: Sequence[str], owner: str = "local") -> list[Job]:
        """These jobs, once all that were asked for have ended well. Raises TimeoutError, RuntimeError."""
        until = time.monotonic() + LIMIT_SECONDS
        while self.eye.exec_driver_sql(UNFINISHED).scalar_one():
            self.looks += 1
            if time.monotonic() > until:
                raise TimeoutError(f"the queue did not do its jobs in {LIMIT_SECONDS:g} s")
            time.sleep(LOOK_SECONDS)
        self.looks += 1
        done = [self.rig.job(job_id, owner) for job_id in ids]
        bad = [job for job in done if job.state != "done" or job.attempt != 1]
        if bad:
            raise RuntimeError(f"{len(bad)} jobs did not end well at once, such as {bad[0]}")
        return done

    def counted(self, orders: Sequence[Order], *, asking: Counts, idle: Counts) -> tuple[Counts, list[Job]]:
        """Do these jobs; what one of them costs once it was asked for, without what idle processes ask for anyway."""
        before, looks, began = self.counters.read(), self.looks, time.monotonic()
        ids = [self.ask(order) for order in orders]
        self._await()
        seconds = time.monotonic() - began
        time.sleep(0.5)  # statistics of the server come a moment later
        found = self.counters.read().less(before, idle=idle, times=seconds + 0.5)
        done = self.ended(ids)
        number = len(orders)
        own = replace(found, commits=found.commits - (self.looks - looks))
        return own.each(number).less(asking), done

    def _await(self) -> None:
        self.ended(())

    def idle(self, seconds: float) -> Counts:
        """What the processes that run ask for in each second in which nothing happens."""
        time.sleep(1.0)
        before = self.counters.read()
        time.sleep(seconds)
        return self.counters.read().less(before).each(seconds)

    def result_bytes(self, done: Sequence[Job]) -> list[int]:
        """The sizes of these jobs' results."""
        return [self.rig.ledger.jobs.package(job.owner, job.id).bytes for job in done]

    def close(self) -> None:
        self.eye.close()
        self.eye.engine.dispose()


def waited(done: Sequence[Job]) -> list[float]:
    """For how long each job waited, in seconds."""
    return [(job.started or 0.0) - job.created for job in done]


def served(done: Sequence[Job]) -> list[float]:
    """For how long each job held its worker, in seconds."""
    return [(job.finished or 0.0) - (job.started or 0.0) for job in done]


def between(done: Sequence[Job], workers: int) -> float:
    """What a worker takes on average from one job's end to the next one's begin while others wait, in seconds."""
    begun = sorted(job.started or 0.0 for job in done)
    free = sorted(job.finished or 0.0 for job in done)
    gaps = [start - end for start, end in zip(begun[workers:], free, strict=False)]
    return max(0.0, sum(gaps) / len(gaps))


def processor_seconds_of(orders: Sequence[Order], folder: Path) -> list[float]:
    """Processor seconds of these conversions in this process, at one thread with warm tables."""
    from worker.engine.pipeline import convert
    from worker.fab_profile import read_fab_profile
    from worker.job_settings import read_settings
    from worker.table_folder import TableFolder

    def once(order: Order) -> float:
        began = time.process_time()
        fab = read_fab_profile((FABS / f"{order.fab}.toml").read_bytes())
        with order.artwork.open("rb") as artwork:
            settings = read_settings(order.settings or {})
            made = convert(
                artwork, fab, settings, name=order.artwork.name, tables=TableFolder(folder / "tables"), threads=1
            )
            for _ in made.files():
                pass
        return time.process_time() - began

    for order in {order.fab: order for order in orders}.values():
        once(order)
    return [once(order) for order in orders]
