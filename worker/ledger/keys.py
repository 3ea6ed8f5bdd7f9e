"""Access keys: made, found, revoked. Of a key's secret only a digest is here (see worker/access_key.py).

A key is looked up anew with every request, which costs one read by its id: so a revocation counts from the next
request on, on every machine.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sql

from worker.errors import MaskwrightError, NotFoundError
from worker.ledger.audit import DAY_SECONDS, KEY_MADE, KEY_REVOKED, KEY_USED, KEYS_FORGOTTEN, record
from worker.ledger.database import Database
from worker.ledger.tables import api_keys, now

USE_SECONDS = 60.0
"""A key's last use is written down at most so often."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredKey:
    """What is known of a key but for its secret. Times in seconds since 1970; `seen` is when it was looked up."""

    id: str
    owner: str
    scopes: tuple[str, ...]
    name: str
    secret_id: str
    made: float
    expires: float | None
    used: float | None
    revoked: float | None
    seen: float

    @property
    def state(self) -> str:
        """usable, revoked or expired."""
        if self.revoked is not None:
            return "revoked"
        return "expired" if self.expires is not None and self.expires <= self.seen else "usable"


@dataclass(frozen=True, slots=True, kw_only=True)
class Doer:
    """By whom a change is made: the id of a key, "" for a command on the machine itself, and a name."""

    key: str = ""
    by: str = ""


class Keys:
    """The key rows of one database."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def add(
        self,
        key_id: str,
        *,
        owner: str,
        scopes: tuple[str, ...],
        digest: str,
        secret_id: str,
        doer: Doer,
        name: str = "",
        expires: float | None = None,
    ) -> StoredKey:
        """Keep a new key."""
        detail = f"{', '.join(scopes)}{f'; {name}' if name else ''}"
        with self.database.writing() as connection:
            connection.execute(
                sql.insert(api_keys).values(
                    id=key_id,
                    owner=owner,
                    scopes=",".join(scopes),
                    name=name,
                    digest=digest,
                    secret_id=secret_id,
                    made=now(),
                    expires=expires,
                )
            )
            record(connection, KEY_MADE, owner=owner, subject=key_id, detail=detail, key=doer.key, by=doer.by)
        return self.get(key_id)

    def find(self, key_id: str) -> tuple[StoredKey, str] | None:
        """The key of this id with its digest, whatever its state."""
        with self.database.reading() as connection:
            row = connection.execute(_FIND, {"of_id": key_id}).mappings().one_or_none()
        return None if row is None else (_key(row), row["digest"])

    def get(self, key_id: str) -> StoredKey:
        """The key of this id. Raises NotFoundError."""
        found = self.find(key_id)
        if found is None:
            raise NotFoundError(f"There is no key {key_id[:64]!r}.", mend="GET /v1/keys lists the keys that there are.")
        return found[0]

    def all(self, owner: str | None = None) -> list[StoredKey]:
        """Every key, or every one of an owner, the newest first."""
        wanted = sql.select(*api_keys.c, now().label("seen")).order_by(api_keys.c.made.desc(), api_keys.c.id)
        if owner is not None:
            wanted = wanted.where(api_keys.c.owner == owner)
        with self.database.reading() as connection:
            return [_key(row) for row in connection.execute(wanted).mappings()]

    def revoke(self, key_id: str, *, doer: Doer) -> StoredKey:
        """End a key. Ending it twice is no error. Raises NotFoundError."""
        owner = self.get(key_id).owner
        with self.database.writing() as connection:
            ended = connection.execute(
                sql.update(api_keys).where(api_keys.c.id == key_id, api_keys.c.revoked.is_(None)).values(revoked=now())
            )
            if ended.rowcount:
                record(connection, KEY_REVOKED, owner=owner, subject=key_id, key=doer.key, by=doer.by)
        return self.get(key_id)

    def forget(self, *, doer: Doer) -> int:
        """Drop the keys that are revoked or expired; how many they were. The audit trail keeps their story."""
        over = api_keys.c.revoked.is_not(None) | (api_keys.c.expires <= now())
        with self.database.writing() as connection:
            gone = connection.execute(sql.delete(api_keys).where(over).returning(api_keys.c.owner, api_keys.c.id)).all()
            for owner, key_id in gone:
                record(connection, KEYS_FORGOTTEN, owner=owner, subject=key_id, key=doer.key, by=doer.by)
        return len(gone)

    def exist(self) -> bool:
        """Whether there is any key at all, be it revoked or expired."""
        with self.database.reading() as connection:
            return bool(connection.execute(sql.select(sql.exists().select_from(api_keys))).scalar_one())

    def note_use(self, key: StoredKey) -> None:
        """Write down that a key was used just now; the first use of a day goes into the audit trail."""
        if key.used is not None and key.seen - key.used < USE_SECONDS:
            return
        new_day = key.used is None or key.used // DAY_SECONDS < key.seen // DAY_SECONDS
        stale = api_keys.c.used.is_(None) | (api_keys.c.used <= now() - USE_SECONDS)
        with self.database.writing() as connection:
            noted = connection.execute(sql.update(api_keys).where(api_keys.c.id == key.id, stale).values(used=now()))
            if noted.rowcount and new_day:
                record(connection, KEY_USED, owner=key.owner, subject=key.id, key=key.id)


def usable_key_exists(url: str) -> bool:
    """Whether a database has a key that lets anybody in; it is not made, and not changed, by asking."""
    database = Database(url, pooled=False)
    try:
        if database.is_sqlite and not Path(database.url.database or "").is_file():
            return False
        if not sql.inspect(database.engine).has_table(api_keys.name):
            return False
        usable = sql.exists().where(
            api_keys.c.revoked.is_(None), api_keys.c.expires.is_(None) | (api_keys.c.expires > now())
        )
        with database.reading() as connection:
            return bool(connection.execute(sql.select(usable)).scalar_one())
    except (sql.exc.SQLAlchemyError, MaskwrightError):
        return False  # a database that can't be asked lets nobody in; starting says what is wrong with it
    finally:
        database.close()


_FIND = sql.select(*api_keys.c, now().label("seen")).where(api_keys.c.id == sql.bindparam("of_id"))


def _key(row: Mapping[Any, Any]) -> StoredKey:
    return StoredKey(
        id=row["id"],
        owner=row["owner"],
        scopes=tuple(row["scopes"].split(",")),
        name=row["name"],
        secret_id=row["secret_id"],
        made=row["made"],
        expires=row["expires"],
        used=row["used"],
        revoked=row["revoked"],
        seen=row["seen"],
    )
