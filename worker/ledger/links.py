"""How often the links to an owner's results were revoked, all of them or those of one job.

A link is signed, not stored. Its signature covers these two counts: raising one ends every link made before.
"""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sql
from sqlalchemy.dialects import postgresql, sqlite

from worker.ledger.audit import LINK_MADE, LINKS_REVOKED, record
from worker.ledger.database import Database
from worker.ledger.keys import Doer
from worker.ledger.tables import jobs, link_revocations

ALL_JOBS = ""
"""Stands in place of a job where all links of an owner are meant."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkRound:
    """Whose a job is, and how often the owner's links and the job's links were revoked."""

    owner: str
    of_owner: int
    of_job: int


class Links:
    """The rows about links of one database."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def round(self, job_id: str) -> LinkRound | None:
        """What the links of this job are signed for now, or None where there is no such job."""
        counted = sql.select(link_revocations.c.job_id, link_revocations.c.times)
        with self.database.reading() as connection:
            owner = connection.execute(sql.select(jobs.c.owner).where(jobs.c.id == job_id)).scalar_one_or_none()
            if owner is None:
                return None
            mine = counted.where(link_revocations.c.owner == owner, link_revocations.c.job_id.in_((ALL_JOBS, job_id)))
            times = {row[0]: row[1] for row in connection.execute(mine)}
        return LinkRound(owner=owner, of_owner=times.get(ALL_JOBS, 0), of_job=times.get(job_id, 0))

    def note(self, owner: str, job_id: str, detail: str, *, doer: Doer) -> None:
        """Put a new link into the audit trail."""
        with self.database.writing() as connection:
            record(connection, LINK_MADE, owner=owner, subject=job_id, detail=detail, key=doer.key, by=doer.by)

    def revoke(self, owner: str, job_id: str = ALL_JOBS, *, doer: Doer) -> None:
        """End every link of a job of this owner, or of all the owner's jobs."""
        with self.database.writing() as connection:
            connection.execute(_RAISE[connection.dialect.name], {"owner": owner, "job_id": job_id, "times": 1})
            subject = job_id or "all"
            record(connection, LINKS_REVOKED, owner=owner, subject=subject, key=doer.key, by=doer.by)


def _raise(insert: object) -> sql.Executable:
    new = insert(link_revocations)  # type: ignore[operator]
    raised: sql.Executable = new.on_conflict_do_update(
        index_elements=[link_revocations.c.owner, link_revocations.c.job_id],
        set_={"times": link_revocations.c.times + 1},
    )
    return raised


_RAISE = {"sqlite": _raise(sqlite.insert), "postgresql": _raise(postgresql.insert)}
