"""How many jobs one owner may have waiting, and when there will be room again."""

from __future__ import annotations

import math

import sqlalchemy as sql

from worker.errors import QueueFullError
from worker.job import ASKED, FINAL, LASTING
from worker.ledger.tables import jobs, now

PACE_SECONDS = 600.0
"""How fast an owner's jobs end is taken from so long back."""

UNKNOWN_PACE_SECONDS = 60
"""What is said where none of them has ended in that time."""

MOST_SECONDS = 3600


def check_room(connection: sql.Connection, owner: str, *, asked: bool, most: int, more: int = 1) -> None:
    """Raise QueueFullError where, with `more`, over `most` jobs of this owner would wait, or questions; 0: any may.

    Called in the transaction that adds the job. On PostgreSQL requests at one moment don't see one another's jobs, so
    the number may be passed by as many as there are of those.
    """
    if not most:
        return
    mine = (jobs.c.owner == owner) & jobs.c.kind.in_(ASKED if asked else LASTING)
    waiting = sql.select(sql.literal(1)).where(mine, jobs.c.state == "queued").limit(most).subquery()
    found = connection.execute(sql.select(sql.func.count()).select_from(waiting)).scalar_one()
    if found + more <= most:
        return
    if more > most:
        raise QueueFullError(
            f"The request asks for {more:,} jobs, and the service lets one owner have {most:,} waiting.",
            mend="Split the collection, or raise MASKWRIGHT_OWNER_WAITING_JOBS.",
            retry_seconds=MOST_SECONDS,
        )
    recent = sql.select(now(), sql.func.min(jobs.c.finished), sql.func.count()).where(
        mine, jobs.c.state.in_(FINAL), jobs.c.finished > now() - PACE_SECONDS
    )
    moment, first, ended = connection.execute(recent).one()
    seconds = UNKNOWN_PACE_SECONDS
    if ended:
        seconds = min(MOST_SECONDS, max(1, math.ceil((moment - first) / ended)))
    pace = f"{ended} of them ended in the last {PACE_SECONDS / 60:g} minutes" if ended else "none has ended lately"
    what = "questions" if asked else "jobs"
    raise QueueFullError(
        f"{found} {what} of owner {owner} are waiting{f', {more} more are asked for' * (more > 1)}, and the service "
        f"lets one have {most}; {pace}.",
        mend=f"Ask again in {seconds} s, the same request with the same Idempotency-Key, or stop some that wait.",
        retry_seconds=seconds,
    )
