"""Fab profiles: every revision is kept, one is current. An edit names the revision that it started from.

Every edit leaves an event: what was done, by whom and when. A revision that became current twice has two.
"""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sql
from sqlalchemy.exc import IntegrityError

from worker.errors import NotFoundError
from worker.ledger.audit import FAB_EDITED, record
from worker.ledger.database import Database
from worker.ledger.tables import fab_events, fab_revisions, fabs, now

MOST_LETTERS = 255


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFab:
    """One revision of a fab profile: `toml` is the exact file, `updated` seconds since 1970."""

    id: str
    revision: str
    toml: bytes
    updated: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FabEvent:
    """That a revision became current, in place of `previous`, None for the first. `at` seconds since 1970."""

    seq: int
    revision: str
    previous: str | None
    what: str
    owner: str
    by: str
    at: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Edit:
    """What an edit does, in a line, by whom, as far as somebody says so, and with which key."""

    what: str
    by: str = ""
    key: str = ""


class Fabs:
    """The fab rows of one database."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def get(self, owner: str, fab_id: str, revision: str | None = None) -> StoredFab:
        """The current revision of a fab of this owner, or the one asked for. Raises NotFoundError."""
        wanted = (
            _current(owner).where(fabs.c.id == fab_id)
            if revision is None
            else sql.select(
                fab_revisions.c.id, fab_revisions.c.revision, fab_revisions.c.toml, fab_revisions.c.created
            ).where(fab_revisions.c.owner == owner, fab_revisions.c.id == fab_id, fab_revisions.c.revision == revision)
        )
        with self.database.reading() as connection:
            row = connection.execute(wanted).one_or_none()
        if row is None:
            which = f"fab {fab_id!r}" if revision is None else f"revision {revision!r} of fab {fab_id!r}"
            raise NotFoundError(f"There is no {which}.", mend="GET /v1/fabs lists the fabs that there are.")
        return StoredFab(id=row[0], revision=row[1], toml=bytes(row[2]), updated=row[3])

    def all(self, owner: str) -> list[StoredFab]:
        """The current revision of every fab of this owner, by id."""
        with self.database.reading() as connection:
            rows = connection.execute(_current(owner).order_by(fabs.c.id)).all()
        return [StoredFab(id=row[0], revision=row[1], toml=bytes(row[2]), updated=row[3]) for row in rows]

    def create(self, owner: str, fab_id: str, revision: str, toml: bytes, edit: Edit = Edit(what="added")) -> bool:
        """Add a fab. False, and nothing changes, when there is one of this id already."""
        try:
            with self.database.writing() as connection:
                _keep(connection, owner, fab_id, revision, toml)
                connection.execute(sql.insert(fabs).values(owner=owner, id=fab_id, revision=revision, updated=now()))
                _record(connection, owner, fab_id, revision, None, edit)
        except IntegrityError:
            return False
        return True

    def replace(
        self,
        owner: str,
        fab_id: str,
        revision: str,
        toml: bytes,
        *,
        started_from: str,
        edit: Edit = Edit(what="edited"),
    ) -> bool:
        """Make this revision current. False, and nothing changes, when `started_from` no longer is.

        An edit that changes nothing leaves no event.
        """
        if revision == started_from:
            return self.get(owner, fab_id).revision == started_from
        with self.database.writing() as connection:
            changed = connection.execute(
                sql.update(fabs)
                .where(fabs.c.owner == owner, fabs.c.id == fab_id, fabs.c.revision == started_from)
                .values(revision=revision, updated=now())
            )
            if changed.rowcount != 1:
                return False
            _keep(connection, owner, fab_id, revision, toml)
            _record(connection, owner, fab_id, revision, started_from, edit)
        return True

    def history(self, owner: str, fab_id: str, *, before: int | None, size: int) -> list[FabEvent]:
        """The newest events of a fab, at most `size`, older than the one whose seq is `before`."""
        wanted = (
            sql.select(fab_events)
            .where(fab_events.c.owner == owner, fab_events.c.id == fab_id)
            .order_by(fab_events.c.seq.desc())
            .limit(size)
        )
        if before is not None:
            wanted = wanted.where(fab_events.c.seq < before)
        with self.database.reading() as connection:
            rows = connection.execute(wanted).mappings().all()
        return [FabEvent(**{name: row[name] for name in FabEvent.__slots__}) for row in rows]


def _record(
    connection: sql.Connection, owner: str, fab_id: str, revision: str, previous: str | None, edit: Edit
) -> None:
    connection.execute(
        sql.insert(fab_events).values(
            owner=owner,
            id=fab_id,
            revision=revision,
            previous=previous,
            what=edit.what[:MOST_LETTERS],
            by=edit.by,
            at=now(),
        )
    )
    detail = f"{edit.what[: MOST_LETTERS - 40]}; revision {revision}"
    record(connection, FAB_EDITED, owner=owner, subject=fab_id, detail=detail, key=edit.key, by=edit.by)


def _current(owner: str) -> sql.Select[str, str, bytes, float]:
    return (
        sql.select(fabs.c.id, fabs.c.revision, fab_revisions.c.toml, fabs.c.updated)
        .join(
            fab_revisions,
            (fab_revisions.c.owner == fabs.c.owner)
            & (fab_revisions.c.id == fabs.c.id)
            & (fab_revisions.c.revision == fabs.c.revision),
        )
        .where(fabs.c.owner == owner)
    )


def _keep(connection: sql.Connection, owner: str, fab_id: str, revision: str, toml: bytes) -> None:
    known = sql.exists().where(
        fab_revisions.c.owner == owner, fab_revisions.c.id == fab_id, fab_revisions.c.revision == revision
    )
    if not connection.execute(sql.select(known)).scalar_one():
        connection.execute(
            sql.insert(fab_revisions).values(owner=owner, id=fab_id, revision=revision, toml=toml, created=now())
        )
