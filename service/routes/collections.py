"""Collections: many artworks in one request, followed, listed, reported and taken away together."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import ExitStack
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import JSONResponse
from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool

from service.answers import EXAMPLE_ID, problems
from service.backing import Backed, Backing
from service.callers import ReadingOwner, SubmittingOwner
from service.collection_answers import (
    CollectionAnswer,
    CollectionsAnswer,
    MembersAnswer,
    collection_answer,
    member_answer,
)
from service.collection_submission import ARCHIVE, ARTWORK, MANIFEST, OF_CIRCUIT, KeptFiles, submit_collection
from service.limits import check_space, most_waiting
from service.paging import read_cursor
from service.routes.events import LOOK_SECONDS, PING_SECONDS
from service.submission import IdempotencyKey, setting_schemas
from service.upload import MAX_FIELD_BYTES, MAX_FIELDS, form_described, read_form
from worker.collection.manifest import MAX_ARTWORKS, MAX_BYTES
from worker.job import CIRCUIT, CIRCUIT_FILE, KEEP_OUT, LANES
from worker.job_settings import REPEATABLE
from worker.ledger.collections import Collection

router = APIRouter(prefix="/v1/collections", tags=["collections"])

log = logging.getLogger(__name__)

LOOK_SECONDS_EACH = 2e-4
"""A large collection takes longer to count, and is counted less often."""
_HEADER_BYTES = 2048
"""Of a part, with its path."""


def _form_schema() -> dict[str, Any]:
    binary = {"type": "string", "format": "binary"}
    properties: dict[str, Any] = {
        ARTWORK: {
            "type": "array",
            "items": binary,
            "description": f"artworks, each with its name or path; up to {MAX_ARTWORKS:,}",
        },
        ARCHIVE: {**binary, "description": "a ZIP or TAR archive of artworks, in place of parts or beside them"},
        MANIFEST: {
            **binary,
            "description": "what is said of each artwork: a .toml, .json or .csv file; may be left out",
        },
        CIRCUIT: {
            **binary,
            "description": "a working circuit that every artwork lies beside, as one archive; may be left out",
        },
        CIRCUIT_FILE: {**binary, "description": "what is said of the circuit; may be left out"},
        KEEP_OUT: {**binary, "description": "a picture of where art keeps out of its board; may be left out"},
        "name": {"type": "string", "description": "what the collection is called"},
        "series": {
            "type": "string",
            "enum": ["on", "off"],
            "default": "off",
            "description": "on: one animation, or artworks in the order that people count, become boards that keep "
            "finish and dots wherever the art keeps still",
        },
        "still": {
            "type": "string",
            "default": "1",
            "description": "of a series: colours no farther apart than this CIEDE2000 are taken for unchanged",
        },
        "fab": {"type": "string", "description": "id of a fab; GET /v1/fabs lists them"},
        "lane": {"type": "string", "enum": list(LANES), "default": "batch", "description": "batch, as a rule"},
    }
    properties |= setting_schemas("for all artworks: ")
    return {"type": "object", "required": ["fab"], "properties": properties}


_FORM = form_described(
    _form_schema(),
    {
        "birds": {
            "summary": "an archive, 40 mm wide where neither name nor manifest says otherwise",
            "value": {ARCHIVE: "(the bytes of birds.zip)", "fab": "example-fab", "width": "40mm"},
        }
    },
    repeated=(ARTWORK, *REPEATABLE),
)


@router.post(
    "",
    status_code=202,
    response_model=CollectionAnswer,
    summary="Ask for a collection",
    responses={
        200: {"model": CollectionAnswer, "description": "The Idempotency-Key is known: the collection of then"},
        202: {
            "description": "Its jobs are in the queue",
            "headers": {"Location": {"description": "the collection", "schema": {"type": "string"}}},
        },
        **problems(400, 413, 415, 422, 429, 507),
    },
    openapi_extra=_FORM,
)
async def create_collection(
    request: Request,
    backing: Backed,
    owner: SubmittingOwner,
    idempotency_key: IdempotencyKey = None,
) -> JSONResponse:
    """Many artworks at once, each with settings of its own where a manifest or its name says so.

    What can't be right for all is said now. An artwork that can't be converted is listed with its mend, and stops no
    other. One that was asked for before, as it is, of the same program, and not in vain takes that job over.
    """
    length = int(request.headers.get("content-length") or 0)
    await run_in_threadpool(check_space, backing, coming=length)
    known = idempotency_key is not None and await run_in_threadpool(
        backing.ledger.collections.knows, owner, idempotency_key
    )
    if not known:
        most = most_waiting(backing, asked=False)
        await run_in_threadpool(backing.ledger.jobs.check_room, owner, asked=False, most=most)
    environment, store = backing.environment, backing.store
    with ExitStack() as open_files:
        spooled = {name: open_files.enter_context(store.spool()) for name in (ARCHIVE, MANIFEST, *OF_CIRCUIT)}
        kept = KeptFiles(store)
        try:
            form = await read_form(
                request,
                spooled,
                environment.max_upload_bytes,
                many={ARTWORK: kept},
                limits={ARCHIVE: environment.max_collection_bytes, MANIFEST: MAX_BYTES},
                whole=environment.max_collection_bytes
                + MAX_FIELDS * (MAX_FIELD_BYTES + _HEADER_BYTES)
                + MAX_ARTWORKS * _HEADER_BYTES,
                undigested=(ARCHIVE, MANIFEST),
            )
            collection, new = await run_in_threadpool(
                submit_collection, backing, owner, idempotency_key, form, kept, spooled
            )
        finally:
            kept.drop()
    log.info("collection %s of %d %s", collection.id, collection.artworks, "accepted" if new else "asked for again")
    answer = await run_in_threadpool(_answer, backing, collection)
    return JSONResponse(
        answer.model_dump(mode="json"),
        status_code=202 if new else 200,
        headers={"Location": answer.links.self},
        background=BackgroundTask(backing.wake, "batch") if new else None,
    )


def _answer(backing: Backing, collection: Collection) -> CollectionAnswer:
    return collection_answer(collection, backing.ledger.collections.standing(collection.id))


@router.get("", response_model=CollectionsAnswer, summary="List collections, newest first", responses=problems(422))
def list_collections(
    backing: Backed,
    owner: ReadingOwner,
    limit: Annotated[int, Query(ge=1, le=200, description="how many on a page")] = 50,
    cursor: Annotated[str | None, Query(description="from `next` of the page before", examples=["12"])] = None,
) -> CollectionsAnswer:
    """One page; `next` leads to the one after it."""
    found = backing.ledger.collections.page(owner, before=read_cursor(cursor), size=limit + 1)
    more = len(found) > limit
    return CollectionsAnswer(
        collections=[_answer(backing, one) for one in found[:limit]],
        next=f"/v1/collections?limit={limit}&cursor={found[limit - 1].seq}" if more else None,
    )


@router.get(
    "/{collection_id}", response_model=CollectionAnswer, summary="Look at a collection", responses=problems(404)
)
def get_collection(backing: Backed, owner: ReadingOwner, collection_id: str) -> CollectionAnswer:
    """Its counts, and the time to go."""
    return _answer(backing, backing.ledger.collections.get(owner, collection_id))


@router.get(
    "/{collection_id}/artworks",
    response_model=MembersAnswer,
    summary="List the artworks of a collection",
    responses=problems(404, 422),
)
def list_members(
    backing: Backed,
    owner: ReadingOwner,
    collection_id: str,
    state: Annotated[
        Literal["queued", "running", "done", "failed", "cancelled", "refused"] | None,
        Query(description="only those whose job is in it", examples=["failed"]),
    ] = None,
    order: Annotated[
        Literal["given", "error"], Query(description="as given, or by mean error, the worst first")
    ] = "given",
    start: Annotated[int, Query(ge=0, le=10_000_000, description="how many to pass over")] = 0,
    limit: Annotated[int, Query(ge=1, le=200, description="how many on a page")] = 100,
) -> MembersAnswer:
    """Each with its job as it is now. Results come as jobs end: ask for state=done again."""
    collection = backing.ledger.collections.get(owner, collection_id)
    found = backing.ledger.collections.members(collection.id, order=order, state=state, start=start, size=limit + 1)
    asked = "".join(f"&{name}={value}" for name, value in (("state", state), ("order", order)) if value)
    more = f"/v1/collections/{collection.id}/artworks?start={start + limit}&limit={limit}{asked}"
    return MembersAnswer(
        artworks=[member_answer(member) for member in found[:limit]], next=more if len(found) > limit else None
    )


@router.delete(
    "/{collection_id}",
    response_model=CollectionAnswer,
    summary="Stop a collection",
    responses={
        200: {"description": f"The collection; GET /v1/collections/{EXAMPLE_ID} shows it on"},
        **problems(404),
    },
)
def cancel_collection(backing: Backed, owner: SubmittingOwner, collection_id: str) -> CollectionAnswer:
    """Stops every job of its own that has not ended; jobs that it took over go on. What is done stays."""
    collection = backing.ledger.collections.get(owner, collection_id)
    backing.ledger.collections.cancel(collection.id)
    return _answer(backing, collection)


@router.post(
    "/{collection_id}/retry",
    response_model=CollectionAnswer,
    summary="Try again what failed",
    responses=problems(404, 429),
)
def retry_collection(backing: Backed, owner: SubmittingOwner, collection_id: str) -> CollectionAnswer:
    """Every artwork whose job failed or was stopped gets a new one, of the same settings and revision of the fab.

    Refused artworks, which never had a job, stay so: mend them and send the collection again.
    """
    collection = backing.ledger.collections.get(owner, collection_id)
    if backing.ledger.collections.retry(collection.id, most_waiting=most_waiting(backing, asked=False)):
        backing.wake("batch")
    return _answer(backing, collection)


@router.get(
    "/{collection_id}/events",
    summary="Follow a collection",
    response_class=EventSourceResponse,
    responses={
        200: {
            "description": "Events named `collection`: the whole collection as GET shows it, whenever a count changes",
            "content": {
                "text/event-stream": {
                    "schema": {"type": "string"},
                    "example": 'event: collection\ndata: {"state": "working", "counts": {"done": 12}}\n\n',
                }
            },
        },
        **problems(404),
    },
)
async def collection_events(backing: Backed, owner: ReadingOwner, collection_id: str) -> Response:
    """The stream ends with the collection."""
    collection = await run_in_threadpool(backing.ledger.collections.get, owner, collection_id)
    return EventSourceResponse(_changes(backing, collection), ping=PING_SECONDS)


async def _changes(backing: Backing, collection: Collection) -> AsyncIterator[ServerSentEvent]:
    seen: dict[str, int] = {}
    while True:
        answer = await run_in_threadpool(_answer, backing, collection)
        if answer.counts != seen:
            seen = answer.counts
            yield ServerSentEvent(data=answer.model_dump_json(), event="collection")
        if answer.state == "ended":
            return
        await asyncio.sleep(max(LOOK_SECONDS * 2, answer.artworks * LOOK_SECONDS_EACH))
