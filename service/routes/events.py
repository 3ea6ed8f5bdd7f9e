"""A job's changes as server-sent events (the event stream format of the HTML standard)."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Header, Response
from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool

from service.answers import job_answer, problems
from service.backing import Backed, Backing
from service.callers import ReadingOwner
from worker.job import FINAL

router = APIRouter(prefix="/v1/jobs", tags=["jobs"])

LOOK_SECONDS = 0.25
PING_SECONDS = 15


@router.get(
    "/{job_id}/events",
    summary="Follow a job",
    response_class=EventSourceResponse,
    responses={
        200: {
            "description": "Events named `job`: the whole job as GET shows it, its version as the event's id",
            "content": {
                "text/event-stream": {
                    "schema": {"type": "string"},
                    "example": 'id: 4\nevent: job\ndata: {"state": "running", "progress": {"stage": "score"}}\n\n',
                }
            },
        },
        204: {"description": "The job has ended and its last event was seen: there is nothing more to follow"},
        **problems(404),
    },
)
async def job_events(
    backing: Backed,
    owner: ReadingOwner,
    job_id: str,
    last_event_id: Annotated[
        str | None, Header(description="id of the last event seen: goes on after it", examples=["3"])
    ] = None,
) -> Response:
    """Each event holds the whole job, so whoever was away misses nothing. The stream ends with the job."""
    job = await run_in_threadpool(backing.ledger.jobs.get, owner, job_id)
    told = last_event_id or ""
    seen = int(told) if told.isascii() and told.isdigit() and len(told) < 19 else 0
    if job.state in FINAL and job.version <= seen:
        return Response(status_code=204)
    return EventSourceResponse(_changes(backing, owner, job_id, seen), ping=PING_SECONDS)


async def _changes(backing: Backing, owner: str, job_id: str, seen: int) -> AsyncIterator[ServerSentEvent]:
    while True:
        job = await run_in_threadpool(backing.ledger.jobs.get, owner, job_id)
        if job.version > seen:
            seen = job.version
            yield ServerSentEvent(data=job_answer(job).model_dump_json(), event="job", id=str(seen))
        if job.state in FINAL:
            return
        await asyncio.sleep(LOOK_SECONDS)
