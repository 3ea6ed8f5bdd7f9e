"""Questions that a worker answers while the request waits: light jobs of the interactive lane.

A question is a job like any other: it survives a crash, its owner alone sees it, and it is worked on once. The request
waits for its end; where that takes too long, it answers 202 with the job's address, so nothing is ever lost.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from typing import IO, Any

from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from service.answers import JobAnswer, job_answer
from service.backing import Backing
from service.errors import STATUS, ProtocolError
from service.limits import most_waiting
from service.upload import Uploaded
from worker.errors import ConflictError, NotFoundError
from worker.job import ANSWER, FINAL, InputFile, Job, JobRequest

ANSWER_SECONDS = 20.0
"""A request waits so long for its answer."""

Gone = Callable[[], Awaitable[bool]]

_FIRST_LOOK_SECONDS = 0.01
_LAST_LOOK_SECONDS = 0.25
_SOON_SECONDS = 0.1
"""Between two looks at a question that may be hung up on: its worker is wanted for the next."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked of a worker: a kind of `worker.job.ASKED`, its settings and files, for a revision of a fab.

    `name` is what people call it: the photograph's file name, the finish that is tuned.
    """

    kind: str
    name: str
    fab_id: str
    fab_revision: str
    settings: Mapping[str, Any]
    inputs: Mapping[str, InputFile] = field(default_factory=dict)

    @property
    def fingerprint(self) -> str:
        """Equal for equal questions."""
        inputs = {name: asdict(file) for name, file in self.inputs.items()}
        asked = [self.kind, self.fab_id, self.fab_revision, dict(self.settings), inputs]
        return hashlib.sha256(json.dumps(asked, sort_keys=True).encode()).hexdigest()


def keep_input(backing: Backing, sent: Uploaded, spooled: IO[bytes]) -> InputFile:
    """Store an uploaded file for a job; it is removed a day after the last job that reads it is forgotten."""
    key = f"inputs/{sent.sha256}"
    backing.store.keep(key, spooled)
    return InputFile(key=key, bytes=sent.bytes, sha256=sent.sha256, name=sent.name)


def keep_bytes(backing: Backing, data: bytes, *, name: str) -> InputFile:
    """The same of bytes that are in memory."""
    sent = Uploaded(name=name, bytes=len(data), sha256=hashlib.sha256(data).hexdigest())
    with backing.store.spool() as spooled:
        spooled.write(data)
        return keep_input(backing, sent, spooled)


async def ask(
    backing: Backing, owner: str, question: Question, *, seconds: float = ANSWER_SECONDS, gone: Gone | None = None
) -> Job:
    """Put a question to a worker and wait for its end, but not longer than `seconds`: the job as it is then.

    `gone` : whether whoever asked has hung up. The question is then cancelled, for nobody learned of its job.
    """
    job = await run_in_threadpool(_enqueue, backing, owner, question)
    return await awaited(backing, owner, job, seconds=seconds, gone=gone)


async def ask_once(backing: Backing, owner: str, question: Question, *, seconds: float = ANSWER_SECONDS) -> Job:
    """The same, but where the question was asked before, not in vain, and is not forgotten yet, its job of then."""
    key = f"{owner}/{question.fingerprint}"
    job = await run_in_threadpool(_asked_before, backing, owner, key)
    if job is None:
        job = await run_in_threadpool(_enqueue, backing, owner, question)
        backing.answers.keep(key, {"job": job.id})
    return await awaited(backing, owner, job, seconds=seconds)


def _asked_before(backing: Backing, owner: str, key: str) -> Job | None:
    known = backing.answers.get(key)
    if known is None:
        return None
    try:
        job = backing.ledger.jobs.get(owner, known["job"])
    except NotFoundError:
        return None
    return None if job.state in ("failed", "cancelled") else job


async def awaited(backing: Backing, owner: str, job: Job, *, seconds: float, gone: Gone | None = None) -> Job:
    """Wait for the end of a question's job, but not longer than `seconds`: the job as it is then."""
    wait, longest = _FIRST_LOOK_SECONDS, _LAST_LOOK_SECONDS if gone is None else _SOON_SECONDS
    until = asyncio.get_running_loop().time() + seconds
    while job.state not in FINAL and asyncio.get_running_loop().time() < until:
        await asyncio.sleep(wait)
        wait = min(wait * 1.1, longest)
        if gone is not None and await gone():
            return await run_in_threadpool(_stopped, backing, owner, job.id)
        job = await run_in_threadpool(backing.ledger.jobs.get, owner, job.id)
    return job


def _stopped(backing: Backing, owner: str, job_id: str) -> Job:
    with suppress(ConflictError):  # it has just ended
        return backing.ledger.jobs.cancel(owner, job_id)
    return backing.ledger.jobs.get(owner, job_id)


def _enqueue(backing: Backing, owner: str, question: Question) -> Job:
    job, _ = backing.ledger.jobs.add(
        JobRequest(
            owner=owner,
            kind=question.kind,
            lane="interactive",
            name=question.name,
            artwork="",
            artwork_bytes=0,
            fab_id=question.fab_id,
            fab_revision=question.fab_revision,
            settings=question.settings,
            fingerprint=question.fingerprint,
            inputs=question.inputs,
        ),
        most_waiting=most_waiting(backing, asked=True),
    )
    backing.wake("interactive")
    return job


def answer_of(job: Job) -> Mapping[str, Any] | None:
    """What a question's job answered, or None where it has not ended yet. Raises what ended it otherwise."""
    if job.state == "done":
        answer: Mapping[str, Any] = (job.summary or {})[ANSWER]
        return answer
    if job.state == "cancelled":
        raise ProtocolError("cancelled", f"Job {job.id} was cancelled while it was waited for.", mend="Ask again.")
    if job.failure is not None:
        code = job.failure.code if job.failure.code in STATUS else "internal"
        raise ProtocolError(code, job.failure.what, mend=job.failure.mend, setting=job.failure.setting)
    return None


def later(job: Job) -> JSONResponse:
    """202: the question is still being worked on; its answer will be in its job's `result`."""
    shown = job_answer(job)
    headers = {"Location": shown.links.self, "Retry-After": "2"}
    return JSONResponse(shown.model_dump(mode="json"), status_code=202, headers=headers)


LATER: dict[int | str, dict[str, Any]] = {
    202: {
        "model": JobAnswer,
        "description": f"Not answered within {ANSWER_SECONDS:g} s: the job; `result.{ANSWER}` will hold the answer",
        "headers": {"Location": {"description": "the job", "schema": {"type": "string"}}},
    }
}
"""The response `later`, for the API's description."""
