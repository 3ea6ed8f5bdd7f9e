"""What the store should hold by these rows: every result, artwork and further file, with its hash."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import sqlalchemy as sql

from worker.job import Package
from worker.ledger.database import Database
from worker.ledger.jobs import read_file
from worker.ledger.tables import fab_revisions, files, jobs

PAGE = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnedResult:
    """A result and the job that owns it."""

    job_id: str
    package: Package


@dataclass(frozen=True, slots=True, kw_only=True)
class NeededObject:
    """An object that jobs read: its key and SHA-256, and one of those jobs."""

    key: str
    sha256: str
    job_id: str


class Contents:
    """What one database says of the store."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def results(self) -> Iterator[OwnedResult]:
        """Every result that has not expired, oldest first; read in pages, so that writers never wait."""
        after = 0
        while True:
            wanted = (
                sql.select(jobs.c.seq, jobs.c.id, jobs.c.package_key, jobs.c.package_bytes, jobs.c.package_sha256)
                .where(jobs.c.seq > after, jobs.c.package_key.is_not(None), jobs.c.expired.is_(None))
                .order_by(jobs.c.seq)
                .limit(PAGE)
            )
            with self.database.reading() as connection:
                rows = connection.execute(wanted).all()
                ids = [row.id for row in rows]
                listed = sql.select(*files.c).where(files.c.job_id.in_(ids)).order_by(files.c.position)
                found = connection.execute(listed).mappings().all()
            for row in rows:
                mine = tuple(read_file(file) for file in found if file["job_id"] == row.id)
                package = Package(key=row.package_key, bytes=row.package_bytes, files=mine, sha256=row.package_sha256)
                yield OwnedResult(job_id=row.id, package=package)
            if len(rows) < PAGE:
                return
            after = rows[-1].seq

    def needed(self) -> Iterator[NeededObject]:
        """Every artwork and further file of jobs that have not expired, but no parts of results; each once."""
        yield from self._artworks()
        further = sql.select(jobs.c.id, jobs.c.inputs).where(jobs.c.inputs.is_not(None), jobs.c.expired.is_(None))
        with self.database.reading() as connection:
            rows = connection.execute(further).all()
        readers = {file["key"]: row.id for row in rows for file in row.inputs.values()}
        for key, job_id in readers.items():
            if key.startswith("inputs/"):
                yield NeededObject(key=key, sha256=key.split("/")[1], job_id=job_id)

    def _artworks(self) -> Iterator[NeededObject]:
        after = ""
        while True:
            wanted = (
                sql.select(jobs.c.artwork, sql.func.max(jobs.c.id).label("job_id"))
                .where(jobs.c.artwork > after, jobs.c.expired.is_(None))
                .group_by(jobs.c.artwork)
                .order_by(jobs.c.artwork)
                .limit(PAGE)
            )
            with self.database.reading() as connection:
                rows = connection.execute(wanted).all()
            for row in rows:
                yield NeededObject(key=f"artworks/{row.artwork}", sha256=row.artwork, job_id=row.job_id)
            if len(rows) < PAGE:
                return
            after = rows[-1].artwork

    def still_needs(self, key: str) -> bool:
        """Whether the object of this key is needed now: it may have expired since it was looked up."""
        kind, name, *_ = key.split("/")
        kept = jobs.c.expired.is_(None)
        wanted = {
            "results": (jobs.c.id == name) & (jobs.c.package_key == key) & kept,
            "artworks": (jobs.c.artwork == name) & kept,
            "inputs": sql.cast(jobs.c.inputs, sql.Text).contains(f'"{key}"', autoescape=True) & kept,
        }[kind]
        with self.database.reading() as connection:
            return bool(connection.execute(sql.select(sql.exists().where(wanted))).scalar_one())

    def revisions(self) -> Iterator[tuple[str, str, bytes]]:
        """Every revision of every fab profile: (fab id, revision, bytes)."""
        wanted = sql.select(fab_revisions.c.id, fab_revisions.c.revision, fab_revisions.c.toml)
        with self.database.reading() as connection:
            rows = connection.execute(wanted.order_by(fab_revisions.c.id, fab_revisions.c.created)).all()
        return iter([(row.id, row.revision, bytes(row.toml)) for row in rows])
