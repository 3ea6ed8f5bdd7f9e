"""Job rows: ask, claim, keep alive, publish, fail, give back, cancel. Every change is one short transaction.

A worker that claims a job gets a token. Every later write of that worker names the token, and finds no row once the
job was cancelled or given to another: so a result is published once, however many workers believed to have the job.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

import sqlalchemy as sql
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import IntegrityError

from worker.errors import ConflictError, ExpiredError, NotFoundError
from worker.job import (
    ASKED,
    FINAL,
    LANES,
    LIVE,
    Claim,
    Failure,
    InputFile,
    Job,
    JobFile,
    JobRequest,
    Lane,
    Package,
    Progress,
    Sign,
)
from worker.ledger.database import CHUNK, Database
from worker.ledger.needs import let_go, needed_files
from worker.ledger.queue_room import check_room
from worker.ledger.tables import CLOCK, FREE, HELD, LET_GO, fab_revisions, files, jobs, now, turns

BACK_OF_QUEUE = (10, 1000)
"""So many turns behind all that its owner has waiting goes a job that lost its worker once, and one that lost it again.

The first loss is often the machine's fault. After the second the job itself is suspect: it may cost nobody a wait.
"""

SILENT = Failure(
    code="lost",
    what="Its worker gave no sign of life for {lease:g} seconds: it hung, its machine stopped, or was cut off.",
    mend="Ask for it again; if it ends so each time, try a smaller artwork or a coarser pitch.",
)
STOPPED = Failure(
    code="lost",
    what="Its worker was stopped by force.",
    mend="Ask for it again.",
)


class Jobs:
    """The job rows of one database."""

    def __init__(self, database: Database, *, lease_seconds: float, attempts: int, program: str = "") -> None:
        self.database = database
        self.program = program
        self.lease_seconds = lease_seconds
        self.attempts = attempts
        self._last_fab: tuple[dict[str, str], bytes] = ({}, b"")

    def add(self, request: JobRequest, *, most_waiting: int = 0) -> tuple[Job, bool]:
        """Put a job into the queue, or find the one that its idempotency key already stands for.

        Returns the job, and whether it is new. The caller compares fingerprints when it is not. Raises QueueFullError
        where `most_waiting` jobs of the owner wait already (0: any number may).
        """
        for _ in range(3):
            with self.database.reading() as connection:
                known = _by_idempotency_key(connection, request)
            if known is not None:
                return known, False
            try:
                with self.database.writing() as connection:
                    check_room(connection, request.owner, asked=request.kind in ASKED, most=most_waiting)
                    return _insert(connection, request), True
            except IntegrityError:
                if request.idempotency_key is None:
                    raise
        raise ConflictError("The same request arrives many times at once.", mend="Ask again.")

    def knows(self, owner: str, idempotency_key: str) -> bool:
        """Whether this key of an owner stands for a job already."""
        known = sql.exists().where(jobs.c.owner == owner, jobs.c.idempotency_key == idempotency_key)
        with self.database.reading() as connection:
            return bool(connection.execute(sql.select(known)).scalar_one())

    def check_room(self, owner: str, *, asked: bool, most: int) -> None:
        """Raise QueueFullError where `most` jobs of this owner, or questions, wait already (0: any number may)."""
        with self.database.reading() as connection:
            check_room(connection, owner, asked=asked, most=most)

    def claim(self, lane: Lane, task_id: str) -> Claim | None:
        """Take the job of this lane whose turn it is, or None when there is nothing to do."""
        token = uuid.uuid4().hex
        wanted = {"of_lane": lane, "by_token": token, "by_task": task_id}
        with self.database.writing() as connection:
            row = connection.execute(_TAKE, wanted).mappings().one_or_none()
            if row is None:
                return None
            _set_turn(connection, lane, CLOCK, row["turn"])
            needed = needed_files(connection, row["id"]) if row["held"] == LET_GO else {}
            toml = self._fab_toml(connection, row["owner"], row["fab_id"], row["fab_revision"])
        job = job_of(row)
        return Claim(job=replace(job, inputs={**needed, **job.inputs}), token=token, fab_toml=toml)

    def _fab_toml(self, connection: sql.Connection, owner: str, fab_id: str, revision: str) -> bytes:
        """A revision of a profile, which never changes. The last is kept: most jobs want what the one before wanted."""
        wanted = {"of_owner": owner, "of_id": fab_id, "of_revision": revision}
        known, toml = self._last_fab
        if known != wanted:
            toml = bytes(connection.execute(_FAB_TOML, wanted).scalar_one())
            self._last_fab = (wanted, toml)
        return toml

    def needed(self, job_id: str) -> dict[str, InputFile]:
        """The files of the jobs that a job needed, by their paths."""
        with self.database.reading() as connection:
            return needed_files(connection, job_id)

    def keep_alive(self, job_id: str, token: str, progress: Progress | None) -> bool:
        """Give a sign of life and note the progress. False when the job is no longer this worker's."""
        values: dict[str, Any] = {"beats": jobs.c.beats + 1}
        if progress is not None:
            values |= {
                "stage": progress.stage,
                "stage_done": progress.done,
                "stage_of": progress.of,
                "version": jobs.c.version + 1,
            }
        return self._fenced(job_id, token, values)

    def publish(self, job_id: str, token: str, result: Package | None, summary: Mapping[str, Any]) -> bool:
        """Make a result the job's own; None where its summary is all of it.

        False, and nothing changes, when the job is no longer this worker's.
        """
        done = {
            "of_id": job_id,
            "by_token": token,
            "with_summary": dict(summary),
            "at_key": None if result is None else result.key,
            "of_bytes": None if result is None else result.bytes,
            "of_sha256": None if result is None else result.sha256,
            "by_program": self.program,
        }
        with self.database.writing() as connection:
            owner = connection.execute(_PUBLISH, done).scalar_one_or_none()
            if owner is None:
                return False
            if result is not None and result.files:
                connection.execute(
                    _ADD_FILES,
                    [
                        {
                            "job_id": job_id,
                            "owner": owner,
                            "position": position,
                            "path": file.path,
                            "start": file.start,
                            "bytes": file.bytes,
                            "sha256": file.sha256,
                            "media_type": file.media_type,
                        }
                        for position, file in enumerate(result.files)
                    ],
                )
        return True

    def fail(self, job_id: str, token: str, failure: Failure) -> bool:
        """End a job with its reason. False when it is no longer this worker's."""
        return self._fenced(job_id, token, {"state": "failed", **failure_values(failure), **finished_values()})

    def fail_task(self, task_id: str, failure: Failure) -> int:
        """End the job that this task was working on, if any. For a worker process that can't say so itself."""
        with self.database.writing() as connection:
            changed = connection.execute(
                sql.update(jobs)
                .where(jobs.c.task_id == task_id, jobs.c.state == "running")
                .values(state="failed", **failure_values(failure), **finished_values())
            )
        return changed.rowcount

    def give_back(self, job_id: str, token: str, failure: Failure) -> bool:
        """Put a job back into the queue after a passing trouble; it fails with `failure` when out of attempts."""
        mine = (jobs.c.id == job_id) & (jobs.c.token == token)
        return self._requeue(mine, failure) > 0

    def give_back_task(self, task_id: str, failure: Failure | None = None) -> int:
        """The same for the job of a task whose process was lost. With no failure: a planned stop, not counted."""
        return self._requeue(jobs.c.task_id == task_id, failure)

    def give_back_silent(self, sign: Sign) -> bool:
        """The same for a job that has been silent for the time of its lease, unless it has given a sign since."""
        same = (jobs.c.id == sign.job_id) & (jobs.c.token == sign.token) & (jobs.c.beats == sign.beats)
        return self._requeue(same, self._silent()) > 0

    def give_back_all(self, *, counted: bool, lane: Lane | None = None) -> int:
        """The same for every running job (of a lane), by one who knows that no worker lives there.

        Not counted: a planned stop.
        """
        return self._requeue(sql.true() if lane is None else jobs.c.lane == lane, STOPPED if counted else None)

    def signs(self) -> list[Sign]:
        """The last sign of life of every running job.

        Taken as by one who writes: while nobody can write, no sign can be given, and whoever looks waits as well.
        """
        with self.database.writing() as connection:
            return _signs(connection)

    def round(self) -> tuple[list[Sign], dict[Lane, int]]:
        """Let go what can be let go, then `signs` and `waiting`: what every process asks each second, at one go.

        In one transaction, for a process that forks opens a connection for each.
        """
        with self.database.writing() as connection:
            if connection.execute(_ANY_HELD).first() is not None:
                let_go(connection)
            return _signs(connection), _waiting(connection, 0.0)

    def cancel(self, owner: str, job_id: str) -> Job:
        """Stop a job that has not ended; a running one is stopped by its worker within seconds.

        Raises NotFoundError, and ConflictError when it is done or has failed.
        """
        stop = (
            sql.update(jobs)
            .where(jobs.c.id == job_id, jobs.c.owner == owner, jobs.c.state.in_(LIVE))
            .values(state="cancelled", **finished_values())
        )
        with self.database.writing() as connection:
            connection.execute(stop)
        job = self.get(owner, job_id)
        if job.state != "cancelled":
            raise ConflictError(f"Job {job_id} is {job.state} already.", mend="Only a job that has not ended can stop.")
        return job

    def get(self, owner: str, job_id: str) -> Job:
        """One job of this owner. Raises NotFoundError."""
        with self.database.reading() as connection:
            row = connection.execute(_JOB, {"of_id": job_id, "of_owner": owner}).mappings().one_or_none()
        if row is None:
            raise _no_job(job_id)
        return job_of(row)

    def page(self, owner: str, *, before: int | None, size: int, kind: str | None = None) -> list[Job]:
        """The newest jobs of this owner (of this kind), at most `size`, older than the one whose seq is `before`."""
        wanted = sql.select(*jobs.c).where(jobs.c.owner == owner).order_by(jobs.c.seq.desc()).limit(size)
        if kind is not None:
            wanted = wanted.where(jobs.c.kind == kind)
        if before is not None:
            wanted = wanted.where(jobs.c.seq < before)
        with self.database.reading() as connection:
            return [job_of(row) for row in connection.execute(wanted).mappings()]

    def package(self, owner: str, job_id: str) -> Package:
        """A job's result. Raises NotFoundError where there is no such job, or it has none (yet).

        Raises ExpiredError where its files were given up.
        """
        mine = (jobs.c.id == job_id) & (jobs.c.owner == owner)
        listed = sql.select(*files.c).where(files.c.job_id == job_id, files.c.owner == owner).order_by(files.c.position)
        with self.database.reading() as connection:
            found = connection.execute(_RESULT.where(mine))
            row = found.one_or_none()
            rows = connection.execute(listed).mappings().all()
        if row is None:
            raise _no_job(job_id)
        if row.expired is not None and row.state == "done":
            raise ExpiredError(
                f"The files of job {job_id} were given up to make room.",
                mend="Send the artwork again to have them again; who runs the service sets how long they are kept.",
            )
        if row.package_key is None:
            raise NotFoundError(
                f"Job {job_id} is {row.state} and has no files.",
                mend="Files come when a conversion is done; the answer of other jobs is in their `result`.",
            )
        return Package(
            key=row.package_key,
            bytes=row.package_bytes,
            files=tuple(read_file(file) for file in rows),
            sha256=row.package_sha256,
        )

    def waiting(self, *, seconds: float = 0.0) -> dict[Lane, int]:
        """How many jobs of each lane have been waiting for at least so long."""
        with self.database.reading() as connection:
            return _waiting(connection, seconds)

    def owned(self, results: Collection[tuple[str, str]]) -> set[tuple[str, str]]:
        """Which of these results, each a job's id and a token, are or may yet become that job's."""
        wanted = sql.select(jobs.c.id, jobs.c.token).where(
            jobs.c.id.in_({job_id for job_id, _ in results}),
            jobs.c.state.in_(("running", "done")),
            jobs.c.expired.is_(None),
        )
        with self.database.reading() as connection:
            return {(row.id, row.token) for row in connection.execute(wanted)} & set(results)

    def used_artworks(self, artworks: Collection[str]) -> set[str]:
        """Which of these artworks any job that has not expired is made from."""
        wanted = sql.select(jobs.c.artwork).where(jobs.c.artwork.in_(artworks), jobs.c.expired.is_(None)).distinct()
        with self.database.reading() as connection:
            return set(connection.execute(wanted).scalars())

    def uses_artwork(self, artwork: str) -> bool:
        """Whether any job that has not expired is made from this artwork."""
        return bool(self.used_artworks([artwork]))

    def uses_input(self, key: str) -> bool:
        """Whether any job that has not expired reads the object of this key beside its artwork."""
        named = sql.cast(jobs.c.inputs, sql.Text).contains(f'"{key}"', autoescape=True)
        with self.database.reading() as connection:
            return bool(
                connection.execute(
                    sql.select(sql.exists().where(jobs.c.inputs.is_not(None), jobs.c.expired.is_(None), named))
                ).scalar_one()
            )

    def forget_asked(self, *, seconds: float, kinds: Sequence[str] = ASKED) -> int:
        """Drop the jobs of these kinds that ended so long ago; how many they were. Their files are left-overs then."""
        old = (jobs.c.kind.in_(kinds)) & jobs.c.state.in_(FINAL) & (jobs.c.finished < now() - seconds)
        with self.database.writing() as connection:
            connection.execute(sql.delete(files).where(files.c.job_id.in_(sql.select(jobs.c.id).where(old))))
            return connection.execute(sql.delete(jobs).where(old)).rowcount

    def let_go(self) -> int:
        """Let jobs go that waited for others, once those have ended; how many. Cheap where none waits."""
        with self.database.reading() as connection:
            if connection.execute(_ANY_HELD).first() is None:
                return 0
        with self.database.writing() as connection:
            return let_go(connection)

    def _silent(self) -> Failure:
        return Failure(code=SILENT.code, what=SILENT.what.format(lease=self.lease_seconds), mend=SILENT.mend)

    def _fenced(self, job_id: str, token: str, values: Mapping[str, Any]) -> bool:
        with self.database.writing() as connection:
            changed = connection.execute(
                sql.update(jobs)
                .where(jobs.c.id == job_id, jobs.c.token == token, jobs.c.state == "running")
                .values(**values)
            )
        return changed.rowcount == 1

    def _requeue(self, which: sql.ColumnElement[bool], failure: Failure | None) -> int:
        """Give running jobs back; those out of attempts fail, with what they ended by last. No failure: not counted."""
        with self.database.writing() as connection:
            lost = sql.select(*_GIVEN_BACK).where(jobs.c.state == "running", which).with_for_update()
            found = connection.execute(lost).all()
            changed = 0
            for row in found:
                values: dict[str, Any] = {
                    "state": "queued",
                    "token": None,
                    "task_id": None,
                    "queued": now(),
                    "version": jobs.c.version + 1,
                }
                if failure is None:
                    values["attempt"] = row.attempt - 1
                elif row.attempt >= self.attempts:
                    values = {
                        "state": "failed",
                        **failure_values(_worn_out(failure, row.attempt, row.stage)),
                        **finished_values(),
                    }
                else:
                    back = BACK_OF_QUEUE[min(row.attempt, len(BACK_OF_QUEUE)) - 1]
                    values["turn"] = max(row.turn, _next_turn(connection, row.lane, row.owner)) + back
                changed += connection.execute(
                    sql.update(jobs)
                    .where(jobs.c.id == row.id, jobs.c.token == row.token, jobs.c.state == "running")
                    .values(**values)
                ).rowcount
        return changed


_GIVEN_BACK = (jobs.c.id, jobs.c.token, jobs.c.owner, jobs.c.lane, jobs.c.turn, jobs.c.attempt, jobs.c.stage)


def _worn_out(failure: Failure, attempts: int, stage: str | None) -> Failure:
    """The failure of a job that has used up its attempts: how it ended last, how often it was begun, where it was."""
    where = "" if stage is None else f", the last time up to its stage {stage!r}"
    tried = "It was tried once" if attempts == 1 else f"It was tried {attempts} times"
    return Failure(
        code=failure.code, what=f"{failure.what} {tried}{where}.", mend=failure.mend, setting=failure.setting
    )


def _no_job(job_id: str) -> NotFoundError:
    return NotFoundError(f"There is no job {job_id!r}.", mend="GET /v1/jobs lists the jobs that there are.")


def _by_idempotency_key(connection: sql.Connection, request: JobRequest) -> Job | None:
    if request.idempotency_key is None:
        return None
    wanted = sql.select(*jobs.c).where(jobs.c.owner == request.owner, jobs.c.idempotency_key == request.idempotency_key)
    row = connection.execute(wanted).mappings().one_or_none()
    return None if row is None else job_of(row)


def _insert(connection: sql.Connection, request: JobRequest) -> Job:
    (job_id,) = insert_jobs(connection, [request])
    row = connection.execute(sql.select(*jobs.c).where(jobs.c.id == job_id))
    return job_of(row.mappings().one())


def insert_jobs(connection: sql.Connection, requests: Sequence[JobRequest]) -> list[str]:
    """Put jobs of one owner and one lane into the queue, in their order; their ids."""
    if not requests:
        return []
    owner, lane = requests[0].owner, requests[0].lane
    first = _next_turn(connection, lane, owner)
    _set_turn(connection, lane, owner, first + len(requests) - 1)
    ids = [uuid.uuid4().hex for _ in requests]
    for start in range(0, len(requests), CHUNK):
        numbered = range(start, min(start + CHUNK, len(requests)))
        connection.execute(_INSERT, [_job_row(requests[i], ids[i], first + i) for i in numbered])
    return ids


def _job_row(request: JobRequest, job_id: str, turn: int) -> dict[str, Any]:
    return {
        "id": job_id,
        "owner": request.owner,
        "kind": request.kind,
        "lane": request.lane,
        "name": request.name,
        "artwork": request.artwork,
        "artwork_bytes": request.artwork_bytes,
        "fab_id": request.fab_id,
        "fab_revision": request.fab_revision,
        "settings": dict(request.settings),
        "inputs": {name: asdict(file) for name, file in request.inputs.items()} or None,
        "fingerprint": request.fingerprint,
        "idempotency_key": request.idempotency_key,
        "turn": turn,
        "held": HELD if request.needs else FREE,
    }


def _next_turn(connection: sql.Connection, lane: Lane, owner: str) -> int:
    """One after the owner's last turn, or the lane's clock, whichever is later.

    An owner with a thousand jobs waiting gets turns far ahead. Another's first job gets the turn that is being served:
    it is next, before any that waits.
    """
    mine = turns.c.owner.in_((owner, CLOCK))
    found = connection.execute(sql.select(turns.c.owner, turns.c.turn).where(turns.c.lane == lane, mine))
    last: dict[str, int] = {row.owner: row.turn for row in found}
    return max(last.get(owner, 0) + 1, last.get(CLOCK, 0))


def _set_turn(connection: sql.Connection, lane: Lane, owner: str, turn: int) -> None:
    """Raise the turn of an owner, or of the clock, to `turn`; never lower it."""
    connection.execute(_RAISE_TURN[connection.dialect.name], {"lane": lane, "owner": owner, "turn": turn})


def failure_values(failure: Failure) -> dict[str, Any]:
    """The columns of a failure."""
    return {
        "error_code": failure.code,
        "error_what": failure.what,
        "error_mend": failure.mend,
        "error_setting": failure.setting,
    }


def failure_in(row: Mapping[str, Any]) -> Failure:
    """The failure that a row's columns hold."""
    return Failure(code=row["error_code"], what=row["error_what"], mend=row["error_mend"], setting=row["error_setting"])


def finished_values() -> dict[str, Any]:
    """The columns of a job that ends now."""
    return {"finished": now(), "version": jobs.c.version + 1}


def job_of(row: Mapping[Any, Any]) -> Job:
    """A row of the table `jobs`."""
    progress = None
    if row["stage"] is not None:
        progress = Progress(stage=row["stage"], done=row["stage_done"], of=row["stage_of"])
    failure = None
    if row["error_code"] is not None:
        failure = failure_in(row)
    return Job(
        seq=row["seq"],
        id=row["id"],
        owner=row["owner"],
        kind=row["kind"],
        lane=row["lane"],
        state=row["state"],
        name=row["name"],
        artwork=row["artwork"],
        artwork_bytes=row["artwork_bytes"],
        fab_id=row["fab_id"],
        fab_revision=row["fab_revision"],
        settings=row["settings"],
        fingerprint=row["fingerprint"],
        attempt=row["attempt"],
        created=row["created"],
        started=row["started"],
        finished=row["finished"],
        progress=progress,
        failure=failure,
        summary=row["summary"],
        version=row["version"],
        inputs={name: InputFile(**file) for name, file in (row["inputs"] or {}).items()},
        expired=row["expired"],
    )


def read_file(row: Mapping[Any, Any]) -> JobFile:
    """A row of the table `files`."""
    return JobFile(
        path=row["path"], start=row["start"], bytes=row["bytes"], sha256=row["sha256"], media_type=row["media_type"]
    )


# Built once: a statement costs more to build than to run.

_JOB = sql.select(*jobs.c).where(jobs.c.id == sql.bindparam("of_id"), jobs.c.owner == sql.bindparam("of_owner"))

_RESULT = sql.select(jobs.c.state, jobs.c.expired, jobs.c.package_key, jobs.c.package_bytes, jobs.c.package_sha256)

_TAKE = (
    sql.update(jobs)
    .where(
        jobs.c.id
        == sql.select(jobs.c.id)
        .where(jobs.c.lane == sql.bindparam("of_lane"), jobs.c.state == "queued", jobs.c.held != HELD)
        .order_by(jobs.c.turn, jobs.c.seq)
        .limit(1)
        .with_for_update(skip_locked=True)
        .scalar_subquery(),
        jobs.c.state == "queued",
    )
    .values(
        state="running",
        token=sql.bindparam("by_token"),
        task_id=sql.bindparam("by_task"),
        attempt=jobs.c.attempt + 1,
        beats=0,
        started=now(),
        stage=None,
        stage_done=None,
        stage_of=None,
        version=jobs.c.version + 1,
    )
    .returning(*jobs.c)
)

_FAB_TOML = sql.select(fab_revisions.c.toml).where(
    fab_revisions.c.owner == sql.bindparam("of_owner"),
    fab_revisions.c.id == sql.bindparam("of_id"),
    fab_revisions.c.revision == sql.bindparam("of_revision"),
)

_PUBLISH = (
    sql.update(jobs)
    .where(jobs.c.id == sql.bindparam("of_id"), jobs.c.token == sql.bindparam("by_token"), jobs.c.state == "running")
    .values(
        state="done",
        summary=sql.bindparam("with_summary", type_=jobs.c.summary.type),
        package_key=sql.bindparam("at_key"),
        package_bytes=sql.bindparam("of_bytes"),
        package_sha256=sql.bindparam("of_sha256"),
        program=sql.bindparam("by_program"),
        **finished_values(),
    )
    .returning(jobs.c.owner)
)

_ADD_FILES = sql.insert(files)

_ANY_HELD = sql.select(sql.literal(1)).where(jobs.c.held == HELD, jobs.c.state == "queued").limit(1)
_SIGNS = sql.select(jobs.c.id, jobs.c.token, jobs.c.beats, jobs.c.task_id).where(
    jobs.c.lane.in_(LANES), jobs.c.state == "running"
)
_WAITING = (
    sql.select(jobs.c.lane, sql.func.count())
    .where(
        jobs.c.lane.in_(LANES),
        jobs.c.state == "queued",
        jobs.c.held != HELD,
        jobs.c.queued <= now() - sql.bindparam("seconds", type_=sql.Float),
    )
    .group_by(jobs.c.lane)
)
_INSERT = sql.insert(jobs).values(state="queued", attempt=0, created=now(), queued=now(), version=1)


def _signs(connection: sql.Connection) -> list[Sign]:
    return [
        Sign(job_id=row.id, token=row.token, beats=row.beats, task_id=row.task_id) for row in connection.execute(_SIGNS)
    ]


def _waiting(connection: sql.Connection, seconds: float) -> dict[Lane, int]:
    counts = {row[0]: row[1] for row in connection.execute(_WAITING, {"seconds": seconds})}
    return {lane: counts.get(lane, 0) for lane in LANES}


def _raise_turn(insert: Any) -> sql.Executable:
    new = insert(turns)
    raised: sql.Executable = new.on_conflict_do_update(
        index_elements=[turns.c.lane, turns.c.owner],
        set_={"turn": new.excluded.turn},
        where=turns.c.turn < new.excluded.turn,
    )
    return raised


_RAISE_TURN = {"sqlite": _raise_turn(sqlite.insert), "postgresql": _raise_turn(postgresql.insert)}
