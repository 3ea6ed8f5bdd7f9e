"""The audit trail: who edited which fab, which keys were made, used and revoked, which results were shared.

An event is written in the transaction of what it tells, so neither is there without the other. It names fabs, jobs and
keys by id; artworks, their names and what was made of them never stand in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sql

from worker.ledger.database import Database
from worker.ledger.tables import audit_events, now

FAB_EDITED, KEY_MADE, KEY_USED, KEY_REVOKED = "fab-edited", "key-made", "key-used", "key-revoked"
KEYS_FORGOTTEN, LINK_MADE, LINKS_REVOKED = "keys-forgotten", "link-made", "links-revoked"

WHAT = (FAB_EDITED, KEY_MADE, KEY_USED, KEY_REVOKED, KEYS_FORGOTTEN, LINK_MADE, LINKS_REVOKED)
"""All that is recorded. `key-used` is the first use of a key on a day (UTC); a key's last use stands beside it."""

DETAIL_LETTERS = 255
DAY_SECONDS = 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditEvent:
    """One event. `owner`: whose things it is about. `key`: the id of the key that did it, "" for the machine itself.

    `subject` is the id of the fab, key or job, `by` a name as somebody gave it, `at` seconds since 1970.
    """

    seq: int
    at: float
    owner: str
    key: str
    what: str
    subject: str
    detail: str
    by: str


def record(
    connection: sql.Connection, what: str, *, owner: str, subject: str, detail: str = "", key: str = "", by: str = ""
) -> None:
    """Add an event to the transaction that does what it tells."""
    assert what in WHAT
    connection.execute(
        sql.insert(audit_events).values(
            at=now(), owner=owner, key=key, what=what, subject=subject, detail=detail[:DETAIL_LETTERS], by=by
        )
    )


class Audit:
    """The audit trail of one database."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def page(
        self, *, before: int | None, size: int, owner: str | None = None, what: str | None = None
    ) -> list[AuditEvent]:
        """The newest events, at most `size`, older than the one whose seq is `before`."""
        wanted = sql.select(*audit_events.c).order_by(audit_events.c.seq.desc()).limit(size)
        if before is not None:
            wanted = wanted.where(audit_events.c.seq < before)
        if owner is not None:
            wanted = wanted.where(audit_events.c.owner == owner)
        if what is not None:
            wanted = wanted.where(audit_events.c.what == what)
        with self.database.reading() as connection:
            return [AuditEvent(**row) for row in connection.execute(wanted).mappings()]

    def record_use_of_the_day(self, *, owner: str, key: str) -> None:
        """Record the use of a key that has no row of its own, once a day."""
        used = sql.select(now(), sql.func.max(audit_events.c.at)).where(
            audit_events.c.what == KEY_USED, audit_events.c.subject == key
        )
        with self.database.writing() as connection:
            moment, last = connection.execute(used).one()
            if last is None or last // DAY_SECONDS < moment // DAY_SECONDS:
                record(connection, KEY_USED, owner=owner, key=key, subject=key)
