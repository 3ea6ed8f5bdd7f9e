"""What is told of the queue to whoever watches it: cheap questions, each answered from an index."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sql

from worker.job import FINAL, LANES, LIVE, Lane, State
from worker.ledger.database import Database
from worker.ledger.tables import jobs, now

MOST = 5000
"""Ended jobs that one look counts; the next look goes on where it stopped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Queue:
    """One lane: jobs waiting and running, and for how long the first of those that wait has been there, in seconds."""

    queued: int
    running: int
    oldest_seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """One job that has ended: `cause` is its error's code, "" where it has none; seconds from claim to end."""

    seq: int
    lane: Lane
    kind: str
    state: State
    cause: str
    attempt: int
    waited: float
    seconds: float
    stages: Mapping[str, float]


class Figures:
    """The figures of one database."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def queues(self) -> dict[Lane, Queue]:
        """Each lane as it is now."""
        wanted = (
            sql.select(jobs.c.lane, jobs.c.state, sql.func.count(), now() - sql.func.min(jobs.c.created))
            .where(jobs.c.lane.in_(LANES), jobs.c.state.in_(LIVE))
            .group_by(jobs.c.lane, jobs.c.state)
        )
        with self.database.reading() as connection:
            found = {(row[0], row[1]): (row[2], row[3]) for row in connection.execute(wanted)}
        return {
            lane: Queue(
                queued=found.get((lane, "queued"), (0, 0.0))[0],
                running=found.get((lane, "running"), (0, 0.0))[0],
                oldest_seconds=max(0.0, found.get((lane, "queued"), (0, 0.0))[1]),
            )
            for lane in LANES
        }

    def clock(self) -> float:
        """The database's time, in seconds since 1970."""
        with self.database.reading() as connection:
            return float(connection.execute(sql.select(now())).scalar_one())

    def ended(self, after: tuple[float, int], until: float) -> tuple[list[Ended], tuple[float, int]]:
        """Jobs that ended after this moment and number, and not after `until`; the moment and number to go on from."""
        moment, seq = after
        later = (jobs.c.finished > moment) | ((jobs.c.finished == moment) & (jobs.c.seq > seq))
        wanted = (
            sql.select(
                jobs.c.seq, jobs.c.lane, jobs.c.kind, jobs.c.state, jobs.c.error_code, jobs.c.attempt, jobs.c.created,
                jobs.c.started, jobs.c.finished, jobs.c.summary,
            )
            .where(jobs.c.lane.in_(LANES), jobs.c.finished >= moment, later, jobs.c.finished <= until)
            .where(jobs.c.state.in_(FINAL))
            .order_by(jobs.c.finished, jobs.c.seq)
            .limit(MOST)
        )  # fmt: skip
        with self.database.reading() as connection:
            rows = connection.execute(wanted).mappings().all()
        if not rows:
            return [], (until, 0) if until > moment else after
        last = (rows[-1]["finished"], rows[-1]["seq"])
        return [_ended(row) for row in rows], last


def _ended(row: Mapping[Any, Any]) -> Ended:
    started = row["started"] if row["started"] is not None else row["finished"]
    stages = (row["summary"] or {}).get("stages") or {}
    return Ended(
        seq=row["seq"],
        lane=row["lane"],
        kind=row["kind"],
        state=row["state"],
        cause=row["error_code"] or "",
        attempt=row["attempt"],
        waited=max(0.0, started - row["created"]),
        seconds=max(0.0, row["finished"] - started),
        stages={str(name): float(seconds) for name, seconds in stages.items()},
    )
