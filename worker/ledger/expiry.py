"""Which results are given up, oldest first, and the rows that say so. Nothing that a live job needs ever is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import sqlalchemy as sql

from worker.job import FINAL, LANES, LIVE
from worker.ledger.database import Database
from worker.ledger.tables import files, jobs, needs, now

BATCH = 500
"""Rows that one transaction touches: nobody waits long for it."""

_ENDED = jobs.c.state.in_(FINAL) & jobs.c.expired.is_(None)


class Expiry:
    """Gives up results in one database."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def by_age(self, seconds: float) -> list[str | None]:
        """Give up what ended longer ago than this, at most BATCH jobs.

        Returns the keys of the results that nobody owns now, one for each job; None where it had none.
        """
        old = sql.select(jobs.c.id).where(_ENDED, jobs.c.finished < now() - seconds)
        return self._expire(old.order_by(jobs.c.finished), jobs.c.id)

    def by_bytes(self, most: int, *, at_least_seconds: float) -> list[str | None]:
        """Give up the oldest results until the rest are at most so many bytes; younger ones than this stay anyhow.

        Returns what `by_age` does.
        """
        newest_first = sql.func.sum(jobs.c.package_bytes).over(order_by=(jobs.c.finished.desc(), jobs.c.seq.desc()))
        kept = (
            sql.select(jobs.c.id, jobs.c.finished, newest_first.label("so_far"))
            .where(_ENDED, jobs.c.package_key.is_not(None))
            .subquery()
        )
        over = sql.select(kept.c.id).where(kept.c.so_far > most, kept.c.finished < now() - at_least_seconds)
        return self._expire(over.order_by(kept.c.finished), kept.c.id)

    def _expire(self, wanted: sql.Select[Any], id_of: sql.ColumnElement[str]) -> list[str | None]:
        with self.database.writing() as connection:
            free = wanted.where(id_of.not_in(self._in_use(connection))).limit(BATCH)
            ids = list(connection.execute(free).scalars())
            owned = sql.select(jobs.c.package_key).where(jobs.c.id.in_(ids))
            keys = list(connection.execute(owned).scalars())
            connection.execute(sql.delete(files).where(files.c.job_id.in_(ids)))
            connection.execute(
                sql.update(jobs)
                .where(jobs.c.id.in_(ids))
                .values(expired=now(), package_key=None, version=jobs.c.version + 1)
            )
        return keys

    def _in_use(self, connection: sql.Connection) -> Sequence[str]:
        """Jobs whose results a live job reads: a preview needs a `tuning.npz`, a piece of a series the one before."""
        read = sql.select(jobs.c.inputs).where(
            jobs.c.lane.in_(LANES), jobs.c.state.in_(LIVE), jobs.c.inputs.is_not(None)
        )
        keys = {file["key"] for row in connection.execute(read) for file in row.inputs.values()}
        waited_for = sql.select(needs.c.needed_id).join(jobs, needs.c.job_id == jobs.c.id).where(jobs.c.state.in_(LIVE))
        needed = set(connection.execute(waited_for).scalars())
        return sorted({key.split("/")[1] for key in keys if key.startswith("results/")} | needed)
