"""Jobs that wait for others: let go once those have ended, and given their files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sql

from worker.job import LIVE, MADE_OF_MANY, InputFile
from worker.ledger.database import CHUNK
from worker.ledger.tables import CLOCK, HELD, LET_GO, files, jobs, needs, now, turns

NOT_MADE = "What it shares with other artworks could not be made: "
"""Begins what is said of a job whose palette or plan failed."""


def add_needs(connection: sql.Connection, wanted: Mapping[str, Sequence[str]]) -> None:
    """Note which jobs, by id, each job waits for."""
    rows = [{"job_id": job, "needed_id": needed} for job, others in wanted.items() for needed in dict.fromkeys(others)]
    if rows:
        connection.execute(sql.insert(needs), rows)


def needs_of(connection: sql.Connection, ids: Sequence[str]) -> dict[str, list[str]]:
    """Which jobs each of these jobs needs, but for those that need none."""
    found: dict[str, list[str]] = {}
    for start in range(0, len(ids), CHUNK):
        wanted = sql.select(needs.c.job_id, needs.c.needed_id).where(needs.c.job_id.in_(ids[start : start + CHUNK]))
        for row in connection.execute(wanted):
            found.setdefault(row.job_id, []).append(row.needed_id)
    return found


def needed_files(connection: sql.Connection, job_id: str) -> dict[str, InputFile]:
    """The files of the jobs that a job needed, by their paths."""
    wanted = (
        sql.select(files.c.path, files.c.start, files.c.bytes, files.c.sha256, jobs.c.package_key)
        .select_from(needs.join(jobs, needs.c.needed_id == jobs.c.id).join(files, files.c.job_id == jobs.c.id))
        .where(needs.c.job_id == job_id, jobs.c.package_key.is_not(None))
    )
    return {
        row.path: InputFile(key=row.package_key, bytes=row.bytes, sha256=row.sha256, start=row.start)
        for row in connection.execute(wanted)
    }


def let_go(connection: sql.Connection) -> int:
    """Let go what waits for nothing any more; how many jobs that were.

    A job whose palette or plan failed fails as well. One whose piece before failed follows on the piece before that.
    """
    done = 0
    while ready := _ready(connection):
        broken = _broken(connection, ready)
        for job_id, needed in broken.items():
            _mend(connection, job_id, needed)
        done += _release(connection, [job_id for job_id in ready if job_id not in broken])
    return done


def _ready(connection: sql.Connection) -> list[str]:
    """Held jobs that wait for nothing that may yet end."""
    other = jobs.alias()
    waits = sql.exists().where(needs.c.job_id == jobs.c.id, needs.c.needed_id == other.c.id, other.c.state.in_(LIVE))
    wanted = sql.select(jobs.c.id).where(jobs.c.held == HELD, jobs.c.state == "queued", ~waits)
    return list(connection.execute(wanted.order_by(jobs.c.seq).limit(CHUNK)).scalars())


def _broken(connection: sql.Connection, ids: Sequence[str]) -> dict[str, Sequence[Any]]:
    """Of these jobs, those that needed one that gave nothing: it failed, was stopped, or its files were given up."""
    wanted = (
        sql.select(needs.c.job_id, jobs.c.id, jobs.c.kind, jobs.c.error_code, jobs.c.error_what, jobs.c.error_mend)
        .select_from(needs.join(jobs, needs.c.needed_id == jobs.c.id))
        .where(needs.c.job_id.in_(ids), jobs.c.package_key.is_(None))
    )
    found: dict[str, list[Any]] = {}
    for row in connection.execute(wanted):
        found.setdefault(row.job_id, []).append(row)
    return dict(found)


def _mend(connection: sql.Connection, job_id: str, broken: Sequence[Any]) -> None:
    """Step over a piece that was not made, or end the job where nothing can be made without what it needed."""
    for row in broken:
        if row.kind in MADE_OF_MANY:
            connection.execute(
                sql.update(jobs)
                .where(jobs.c.id == job_id)
                .values(
                    state="failed",
                    error_code=row.error_code or "cancelled",
                    error_what=NOT_MADE + (row.error_what or "it was stopped, or its files were given up."),
                    error_mend=row.error_mend or "Ask for all of it again.",
                    finished=now(),
                    version=jobs.c.version + 1,
                )
            )
            return
        before = (
            sql.select(needs.c.needed_id)
            .select_from(needs.join(jobs, needs.c.needed_id == jobs.c.id))
            .where(needs.c.job_id == row.id, jobs.c.kind.not_in(MADE_OF_MANY))
        )
        earlier = connection.execute(before).scalar_one_or_none()
        this = (needs.c.job_id == job_id) & (needs.c.needed_id == row.id)
        connection.execute(sql.delete(needs).where(this))
        if earlier is not None:
            connection.execute(sql.insert(needs).values(job_id=job_id, needed_id=earlier))


def _release(connection: sql.Connection, ids: Sequence[str]) -> int:
    """Put jobs into the queue as of now: what was served while they waited is not made up for."""
    if not ids:
        return 0
    first = connection.execute(
        sql.select(jobs.c.owner, jobs.c.lane, sql.func.min(jobs.c.turn))
        .where(jobs.c.id.in_(ids))
        .group_by(jobs.c.owner, jobs.c.lane)
    ).all()
    for owner, lane, turn in first:
        clock = sql.select(turns.c.turn).where(turns.c.lane == lane, turns.c.owner == CLOCK)
        later = max(0, (connection.execute(clock).scalar_one_or_none() or 0) - turn)
        mine = (jobs.c.id.in_(ids)) & (jobs.c.owner == owner) & (jobs.c.lane == lane)
        connection.execute(
            sql.update(jobs)
            .where(mine, jobs.c.held == HELD)
            .values(held=LET_GO, queued=now(), turn=jobs.c.turn + later, version=jobs.c.version + 1)
        )
    return len(ids)
