"""Collections of artworks: many jobs asked for at once, counted, listed and stopped together."""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import sqlalchemy as sql
from sqlalchemy.exc import IntegrityError

from worker.errors import ConflictError, NotFoundError
from worker.job import LIVE, MADE_OF_MANY, Failure, Job, JobFile, JobRequest, Package, State, request_of
from worker.ledger.database import CHUNK, Database
from worker.ledger.jobs import failure_in, failure_values, finished_values, insert_jobs, job_of, read_file
from worker.ledger.needs import add_needs, needs_of
from worker.ledger.queue_room import check_room
from worker.ledger.tables import HELD, collections, files, jobs, members, now

REFUSED = "refused"
"""What a member without a job counts as."""

Order = Literal["given", "error"]

IN_VAIN: tuple[State, ...] = ("failed", "cancelled")
_OF_JOB = "of_job_"
PAGE = 50
"""Members with all that is known of them are in memory so many at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MemberRequest:
    """An artwork of a collection: its path, and the job that it asks for, or why there can be none."""

    path: str
    request: JobRequest | None = None
    failure: Failure | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectionRequest:
    """What is asked for at once. `fingerprint` is equal for equal requests; `skipped` are paths of files left out.

    `shared` are jobs that the members need, such as their palette; they are no members.
    """

    owner: str
    name: str
    fab_id: str
    fab_revision: str
    fingerprint: str
    members: Sequence[MemberRequest]
    shared: Sequence[JobRequest] = ()
    skipped: Sequence[str] = ()
    idempotency_key: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Collection:
    """What is known of a collection but for its members. `created` in seconds since 1970."""

    seq: int
    id: str
    owner: str
    name: str
    fab_id: str
    fab_revision: str
    artworks: int
    skipped: tuple[str, ...]
    fingerprint: str
    created: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How far a collection is.

    counts : members by their job's state, and `refused`. reused : how many had been converted before. began, ended :
    when its first own job began and its last one ended, in seconds since 1970, None where none did. own_ended : how
    many of its own jobs ended. moment : now, by the same clock.
    """

    counts: Mapping[str, int]
    reused: int
    began: float | None
    ended: float | None
    own_ended: int
    moment: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """An artwork of a collection: its job as it is now, or why it has none."""

    position: int
    path: str
    job: Job | None
    reused: bool
    failure: Failure | None


class Collections:
    """The collections of one database."""

    def __init__(self, database: Database, *, program: str = "") -> None:
        self.database = database
        self.program = program

    def add(self, request: CollectionRequest, *, most_waiting: int = 0) -> tuple[Collection, bool]:
        """Put all jobs of a collection into the queue at once, or find the one that its idempotency key stands for.

        A member for which the same was asked before, of the same revision of the fab, and which was not in vain, takes
        that job over, unless another revision of the program made its result. Returns the collection, and whether it
        is new. Raises QueueFullError where, with these, more than `most_waiting` jobs of the owner would wait (0: any
        number may).
        """
        for _ in range(3):
            known = self._by_key(request)
            if known is not None:
                return known, False
            try:
                with self.database.writing() as connection:
                    return _insert(connection, request, most_waiting, self.program), True
            except IntegrityError:
                if request.idempotency_key is None:
                    raise
        raise ConflictError("The same request arrives many times at once.", mend="Ask again.")

    def _by_key(self, request: CollectionRequest) -> Collection | None:
        if request.idempotency_key is None:
            return None
        mine = (collections.c.owner == request.owner) & (collections.c.idempotency_key == request.idempotency_key)
        with self.database.reading() as connection:
            row = connection.execute(sql.select(*collections.c).where(mine)).mappings().one_or_none()
        return None if row is None else _collection(row)

    def knows(self, owner: str, idempotency_key: str) -> bool:
        """Whether this key of an owner stands for a collection already."""
        known = sql.exists().where(collections.c.owner == owner, collections.c.idempotency_key == idempotency_key)
        with self.database.reading() as connection:
            return bool(connection.execute(sql.select(known)).scalar_one())

    def get(self, owner: str, collection_id: str) -> Collection:
        """One collection of this owner. Raises NotFoundError."""
        mine = (collections.c.id == collection_id) & (collections.c.owner == owner)
        with self.database.reading() as connection:
            row = connection.execute(sql.select(*collections.c).where(mine)).mappings().one_or_none()
        if row is None:
            raise NotFoundError(
                f"There is no collection {collection_id[:64]!r}.",
                mend="GET /v1/collections lists those that there are.",
            )
        return _collection(row)

    def page(self, owner: str, *, before: int | None, size: int) -> list[Collection]:
        """The newest collections of this owner, at most `size`, older than the one whose seq is `before`."""
        wanted = sql.select(*collections.c).where(collections.c.owner == owner).order_by(collections.c.seq.desc())
        if before is not None:
            wanted = wanted.where(collections.c.seq < before)
        with self.database.reading() as connection:
            return [_collection(row) for row in connection.execute(wanted.limit(size)).mappings()]

    def standing(self, collection_id: str) -> Standing:
        """How far it is."""
        state = sql.func.coalesce(jobs.c.state, REFUSED)
        counted = (
            sql.select(
                state, members.c.reused, sql.func.count(), sql.func.min(jobs.c.started), sql.func.max(jobs.c.finished)
            )
            .select_from(_MEMBERS_AND_JOBS)
            .where(members.c.collection_id == collection_id)
            .group_by(state, members.c.reused)
        )
        with self.database.reading() as connection:
            rows = connection.execute(counted).all()
            moment = connection.execute(sql.select(now())).scalar_one()
        counts: dict[str, int] = {}
        for name, _, number, *_ in rows:
            counts[name] = counts.get(name, 0) + number
        own = [row for row in rows if not row[1] and row[0] != REFUSED]
        began = [row[3] for row in own if row[3] is not None]
        ended = [row for row in own if row[0] not in LIVE]
        finished = [row[4] for row in ended if row[4] is not None]
        return Standing(
            counts=counts,
            reused=sum(row[2] for row in rows if row[1]),
            began=min(began, default=None),
            ended=max(finished, default=None),
            own_ended=sum(row[2] for row in ended),
            moment=moment,
        )

    def members(
        self,
        collection_id: str,
        *,
        order: Order = "given",
        state: str | None = None,
        kind: str | None = None,
        start: int = 0,
        size: int = PAGE,
    ) -> list[Member]:
        """Members from the one numbered `start` on, at most `size`.

        order : as they were given, or by mean error, the worst first, then those that have none. state : only those
        whose job is in it, or `refused`. kind : only those whose job is of it.
        """
        wanted = _listed(sql.select(*_MEMBER_COLUMNS), collection_id, order, state)
        if kind is not None:
            wanted = wanted.where(jobs.c.kind == kind)
        with self.database.reading() as connection:
            rows = connection.execute(wanted.offset(start).limit(size)).mappings().all()
        return [_member(row) for row in rows]

    def by_error(self, collection_id: str, *, state: str | None = None, most: int | None = None) -> Iterator[Member]:
        """Members by mean error, the worst first, as `members` lists them; sorted once, and read in pages."""
        places = _listed(sql.select(members.c.position), collection_id, "error", state).limit(most)
        with self.database.reading() as connection:
            positions = connection.execute(places).scalars().all()
        for start in range(0, len(positions), PAGE):
            page = positions[start : start + PAGE]
            wanted = _listed(sql.select(*_MEMBER_COLUMNS), collection_id, "given", None)
            with self.database.reading() as connection:
                rows = connection.execute(wanted.where(members.c.position.in_(page))).mappings().all()
            found = {row["position"]: row for row in rows}
            yield from (_member(found[position]) for position in page)

    def all_members(self, collection_id: str) -> Iterator[Member]:
        """Every member in the order given; read in pages, so that writers never wait."""
        start = 0
        while page := self.members(collection_id, start=start):
            yield from page
            start += len(page)

    def paths(self, collection_id: str) -> list[str]:
        """The path of every member, in the order given."""
        wanted = sql.select(members.c.path).where(members.c.collection_id == collection_id)
        with self.database.reading() as connection:
            return list(connection.execute(wanted.order_by(members.c.position)).scalars())

    def packages(self, collection_id: str) -> Iterator[tuple[str, Package]]:
        """The path of every member whose job is done and whose files are kept, with its result; in pages."""
        done = _listed(sql.select(members.c.position, members.c.path, members.c.job_id), collection_id, "given", "done")
        last = -1
        while True:
            with self.database.reading() as connection:
                page = connection.execute(done.where(members.c.position > last).limit(PAGE)).all()
            if not page:
                return
            last = page[-1].position
            packages = self._packages({row.position: row.job_id for row in page})
            yield from ((row.path, packages[row.position]) for row in page if row.position in packages)

    def packages_of(self, listed: Sequence[Member], *, paths: Sequence[str] | None = None) -> dict[int, Package]:
        """The results that members have, by their positions. `paths` : of the only files that are asked for."""
        return self._packages({member.position: member.job.id for member in listed if member.job is not None}, paths)

    def _packages(self, ids: Mapping[int, str], paths: Sequence[str] | None = None) -> dict[int, Package]:
        """The results of jobs, by the keys of their ids."""
        kept = sql.select(jobs.c.id, jobs.c.package_key, jobs.c.package_bytes, jobs.c.package_sha256).where(
            jobs.c.id.in_(set(ids.values())), jobs.c.package_key.is_not(None)
        )
        wanted = sql.select(*files.c).where(files.c.job_id.in_(set(ids.values()))).order_by(files.c.position)
        if paths is not None:
            wanted = wanted.where(files.c.path.in_(paths))
        with self.database.reading() as connection:
            rows = {row.id: row for row in connection.execute(kept)}
            found: dict[str, list[JobFile]] = {}
            for file in connection.execute(wanted).mappings():
                found.setdefault(file["job_id"], []).append(read_file(file))
        return {
            position: Package(
                key=rows[job_id].package_key,
                bytes=rows[job_id].package_bytes,
                files=tuple(found.get(job_id, ())),
                sha256=rows[job_id].package_sha256,
            )
            for position, job_id in ids.items()
            if job_id in rows
        }

    def cancel(self, collection_id: str) -> int:
        """Stop every job of its own that has not ended; how many they were."""
        own = sql.select(members.c.job_id).where(
            members.c.collection_id == collection_id, members.c.reused.is_(False), members.c.job_id.is_not(None)
        )
        stop = sql.update(jobs).where(jobs.c.id.in_(own), jobs.c.state.in_(LIVE))
        with self.database.writing() as connection:
            return connection.execute(stop.values(state="cancelled", **finished_values())).rowcount

    def retry(self, collection_id: str, *, most_waiting: int = 0) -> int:
        """Ask anew for each of its jobs that failed or was stopped; how many they were. Raises QueueFullError."""
        of_it = members.c.collection_id == collection_id
        vain = (
            sql.select(*jobs.c)
            .where(
                jobs.c.id.in_(sql.select(members.c.job_id).where(of_it)),
                jobs.c.state.in_(IN_VAIN),
                jobs.c.expired.is_(None),
            )
            .order_by(jobs.c.seq)
        )
        with self.database.writing() as connection:
            old = [job_of(row) for row in connection.execute(vain).mappings()]
            if old:
                check_room(connection, old[0].owner, asked=False, most=most_waiting, more=len(old))
            anew = dict(
                zip((job.id for job in old), insert_jobs(connection, [request_of(job) for job in old]), strict=True)
            )
            for job_id, new in anew.items():
                moved = sql.update(members).where(of_it, members.c.job_id == job_id)
                connection.execute(moved.values(job_id=new, reused=False))
            _renew_needs(connection, anew)
        return len(old)


def _renew_needs(connection: sql.Connection, anew: Mapping[str, str]) -> None:
    """Jobs that are asked for again need what they needed: by `anew` where that is asked for again, too.

    A palette or plan that failed is none of a collection's members, and is asked for again here.
    """
    needed = needs_of(connection, list(anew))
    wanted = sql.select(*jobs.c).where(
        jobs.c.id.in_({one for others in needed.values() for one in others} - set(anew)), jobs.c.package_key.is_(None)
    )
    lost = [job_of(row) for row in connection.execute(wanted.where(jobs.c.state.not_in(LIVE))).mappings()]
    ids = dict(zip((job.id for job in lost), insert_jobs(connection, [request_of(job) for job in lost]), strict=True))
    of_all = {**anew, **ids}
    add_needs(connection, {anew[old]: [of_all.get(one, one) for one in others] for old, others in needed.items()})
    held = sql.update(jobs).where(jobs.c.id.in_([anew[old] for old in needed]))
    connection.execute(held.values(held=HELD))


_MEMBERS_AND_JOBS = members.outerjoin(jobs, members.c.job_id == jobs.c.id)
_MEMBER_COLUMNS = (*members.c, *(column.label(f"{_OF_JOB}{column.name}") for column in jobs.c))
_ERROR = jobs.c.summary["score"]["s_cielab"]["mean"].as_float()


def _listed(selected: sql.Select[Any], collection_id: str, order: Order, state: str | None) -> sql.Select[Any]:
    """What is selected of members and their jobs, in order."""
    wanted = selected.select_from(_MEMBERS_AND_JOBS).where(members.c.collection_id == collection_id)
    if state == REFUSED:
        wanted = wanted.where(members.c.job_id.is_(None))
    elif state is not None:
        wanted = wanted.where(jobs.c.state == state)
    if order == "error":
        wanted = wanted.order_by(sql.func.coalesce(_ERROR, -1.0).desc())
    return wanted.order_by(members.c.position)


def _insert(connection: sql.Connection, request: CollectionRequest, most_waiting: int, program: str) -> Collection:
    asked = [member.request for member in request.members if member.request is not None]
    asked = [*request.shared, *asked]
    known = _asked_before(connection, request.owner, asked, program)
    fresh = [one for one in asked if one.fingerprint not in known]
    needed = {fingerprint for one in fresh for fingerprint in one.needs}
    fresh = [one for one in fresh if one.kind not in MADE_OF_MANY or one.fingerprint in needed]
    fresh = list({one.fingerprint: one for one in fresh}.values())  # a file that is there twice is converted once
    if fresh:
        check_room(connection, request.owner, asked=False, most=most_waiting, more=len(fresh))
    ids = dict(zip((one.fingerprint for one in fresh), insert_jobs(connection, fresh), strict=True))
    of_all = ids | known
    add_needs(connection, {ids[one.fingerprint]: [of_all[needed] for needed in one.needs] for one in fresh})
    row = connection.execute(
        sql.insert(collections)
        .values(
            id=uuid.uuid4().hex,
            owner=request.owner,
            name=request.name,
            fab_id=request.fab_id,
            fab_revision=request.fab_revision,
            artworks=len(request.members),
            skipped=list(request.skipped),
            fingerprint=request.fingerprint,
            idempotency_key=request.idempotency_key,
            created=now(),
        )
        .returning(*collections.c)
    )
    made = _collection(row.mappings().one())
    ids |= known
    for start in range(0, len(request.members), CHUNK):
        listed = enumerate(request.members[start : start + CHUNK], start)
        connection.execute(sql.insert(members), [_member_row(made.id, i, member, ids, known) for i, member in listed])
    return made


def _member_row(
    collection_id: str, position: int, member: MemberRequest, ids: Mapping[str, str], known: Mapping[str, str]
) -> dict[str, Any]:
    asked = member.request
    failed = failure_values(member.failure) if member.failure is not None else dict.fromkeys(_FAILURE_COLUMNS)
    return {
        "collection_id": collection_id,
        "position": position,
        "path": member.path,
        "job_id": None if asked is None else ids[asked.fingerprint],
        "reused": asked is not None and asked.fingerprint in known,
        **failed,
    }


_FAILURE_COLUMNS = ("error_code", "error_what", "error_mend", "error_setting")


def _asked_before(connection: sql.Connection, owner: str, asked: Sequence[JobRequest], program: str) -> dict[str, str]:
    """The newest job by fingerprint, where one was asked for by it that did not fail, with fab and program as now."""
    found: dict[str, str] = {}
    revisions = {one.fingerprint: one.fab_revision for one in asked}
    prints = list(revisions)
    for start in range(0, len(prints), CHUNK):
        wanted = (
            sql.select(jobs.c.fingerprint, jobs.c.fab_revision, jobs.c.id)
            .where(
                jobs.c.owner == owner,
                jobs.c.fingerprint.in_(prints[start : start + CHUNK]),
                jobs.c.state.in_(LIVE) | ((jobs.c.state == "done") & (jobs.c.program == program)),
                jobs.c.expired.is_(None),
            )
            .order_by(jobs.c.seq)
        )
        for fingerprint, revision, job_id in connection.execute(wanted):
            if revision == revisions[fingerprint]:
                found[fingerprint] = job_id
    return found


def _collection(row: Mapping[Any, Any]) -> Collection:
    return Collection(
        seq=row["seq"],
        id=row["id"],
        owner=row["owner"],
        name=row["name"],
        fab_id=row["fab_id"],
        fab_revision=row["fab_revision"],
        artworks=row["artworks"],
        skipped=tuple(row["skipped"]),
        fingerprint=row["fingerprint"],
        created=row["created"],
    )


def _member(row: Mapping[Any, Any]) -> Member:
    failure = None
    if row["error_code"] is not None:
        failure = failure_in(row)
    job = None
    if row["job_id"] is not None:
        job = job_of({column.name: row[f"{_OF_JOB}{column.name}"] for column in jobs.c})
    return Member(position=row["position"], path=row["path"], job=job, reused=bool(row["reused"]), failure=failure)
