"""A job that is asked for: into the queue, once for each idempotency key, and the answer that says so."""

from __future__ import annotations

import logging
from typing import Any

from fastapi.responses import JSONResponse
from starlette.background import BackgroundTask

from service.answers import JobAnswer, job_answer
from service.backing import Backing
from service.errors import ProtocolError
from service.limits import most_waiting
from worker.job import Job, JobRequest

log = logging.getLogger(__name__)

ACCEPTED: dict[int | str, dict[str, Any]] = {
    200: {"model": JobAnswer, "description": "The Idempotency-Key is known: the job of then"},
    202: {
        "description": "The job is in the queue",
        "headers": {"Location": {"description": "the job", "schema": {"type": "string"}}},
    },
}
"""The responses `accepted`, for the API's description."""


def add_job(backing: Backing, request: JobRequest) -> tuple[Job, bool]:
    """Put a job into the queue: the job, and whether it is new. Raises ProtocolError, QueueFullError.

    With an idempotency key seen before it is the job of then.
    """
    job, new = backing.ledger.jobs.add(request, most_waiting=most_waiting(backing, asked=False))
    if not new and job.fingerprint != request.fingerprint:
        raise key_reused(request.idempotency_key, f"job {job.id}")
    return job, new


def key_reused(key: str | None, what: str) -> ProtocolError:
    """The error of an idempotency key that came with another request before. `what` : that it made."""
    return ProtocolError(
        "key-reused",
        f"The Idempotency-Key {key!r} stands for another request, {what}.",
        mend="Use a new key for a new request.",
    )


def accepted(backing: Backing, job: Job, new: bool) -> JSONResponse:
    """202 for a new job, of which a worker is told next; 200 for one of then."""
    log.info("job %s %s", job.id, "accepted" if new else "asked for again", extra={"job": job.id, "lane": job.lane})
    answer = job_answer(job)
    return JSONResponse(
        answer.model_dump(mode="json"),
        status_code=202 if new else 200,
        headers={"Location": answer.links.self},
        background=BackgroundTask(backing.wake, job.lane) if new else None,
    )
