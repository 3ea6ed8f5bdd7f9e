"""Collections: many artworks in one request, followed, listed, reported and taken away together."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable, Iterator
from datetime import UTC, datetime
from functools import partial
from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import JSONResponse, StreamingResponse
from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool

from service.answers import EXAMPLE_ID, problems
from service.asking import Question, answer_of, ask
from service.backing import Backed, Backing
from service.callers import ReadingOwner, SubmittingOwner
from service.collection_answers import (
    CollectionAnswer,
    CollectionsAnswer,
    MembersAnswer,
    collection_answer,
    member_answer,
)
from service.collection_package import PackageStream, in_pieces
from service.collection_submission import ARCHIVE, ARTWORK, MANIFEST, KeptFiles, submit_collection
from service.errors import ProtocolError
from service.limits import check_space, most_waiting
from service.paging import read_cursor
from service.routes.events import LOOK_SECONDS, PING_SECONDS
from service.routes.files import read_result
from service.security_headers import RESULT_POLICY
from service.submission import IdempotencyKey, setting_schemas
from service.upload import MAX_FIELD_BYTES, MAX_FIELDS, read_form
from worker.collection.manifest import MAX_ARTWORKS, MAX_BYTES
from worker.collection.report_page import WORST, ReportRow, report_html, report_json, row_of
from worker.errors import MaskwrightError
from worker.job import LANES, SHEET, InputFile, JobFile
from worker.job_settings import REPEATABLE
from worker.ledger.collections import REFUSED, Collection, Member

router = APIRouter(prefix="/v1/collections", tags=["collections"])

log = logging.getLogger(__name__)

SHEET_ENTRIES = 96
PREVIEWS = ("preview.png", "top/preview.png")
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
        "name": {"type": "string", "description": "what the collection is called"},
        "fab": {"type": "string", "description": "id of a fab; GET /v1/fabs lists them"},
        "lane": {"type": "string", "enum": list(LANES), "default": "batch", "description": "batch, as a rule"},
    }
    properties |= setting_schemas("for all artworks: ")
    return {"type": "object", "required": ["fab"], "properties": properties}


_FORM = {
    "requestBody": {
        "required": True,
        "content": {
            "multipart/form-data": {
                "schema": _form_schema(),
                "encoding": {name: {"style": "form", "explode": True} for name in (ARTWORK, *REPEATABLE)},
                "examples": {
                    "birds": {
                        "summary": "an archive, 40 mm wide where neither name nor manifest says otherwise",
                        "value": {ARCHIVE: "(the bytes of birds.zip)", "fab": "example-fab", "width": "40mm"},
                    }
                },
            }
        },
    }
}


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
    other. One that was asked for before, as it is, and not in vain takes that job over.
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
    with store.spool() as archive, store.spool() as manifest:
        spooled = {ARCHIVE: archive, MANIFEST: manifest}
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
        await asyncio.sleep(LOOK_SECONDS * 2)


@router.get(
    "/{collection_id}/report.json",
    summary="Get a collection's report as JSON",
    response_class=Response,
    responses={
        200: {
            "description": "All artworks by mean error, the worst first, then those without one, with their mends",
            "content": {"application/json": {"schema": {"type": "object"}}},
        },
        **problems(404),
    },
)
def get_report(backing: Backed, owner: ReadingOwner, collection_id: str) -> Response:
    """As it is now; it may be asked for while the collection is worked on."""
    collection = backing.ledger.collections.get(owner, collection_id)
    return StreamingResponse(_report_json(backing, collection), media_type="application/json")


def _report_json(backing: Backing, collection: Collection) -> Iterator[str]:
    answer = _answer(backing, collection)
    head = answer.model_dump(mode="json", exclude={"links", "seconds_to_go", "artworks"}) | {
        "worst": [row.as_table() for row in _rows(backing, collection, state="done", most=WORST)]
    }
    return report_json(head, _rows(backing, collection))


def _rows(
    backing: Backing, collection: Collection, *, state: str | None = None, most: int | None = None
) -> Iterator[ReportRow]:
    """Artworks by mean error, page by page."""
    start = 0
    while most is None or start < most:
        size = 200 if most is None else min(200, most - start)
        page = backing.ledger.collections.members(collection.id, order="error", state=state, start=start, size=size)
        yield from map(_row, page)
        start += len(page)
        if len(page) < size:
            return


def _row(member: Member) -> ReportRow:
    job = member.job
    if job is None:
        assert member.failure is not None
        return row_of(member.path, REFUSED, None, fault=member.failure.what, mend=member.failure.mend)
    if job.failure is not None:
        return row_of(member.path, job.state, None, reused=member.reused, fault=job.failure.what, mend=job.failure.mend)
    summary = job.summary if job.state == "done" else None
    return row_of(member.path, job.state, summary, reused=member.reused, link=f"/v1/jobs/{job.id}/files/report.json")


_HTML: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "One page that needs nothing else",
        "content": {"text/html": {"schema": {"type": "string"}, "example": "<!doctype html>..."}},
    }
}


@router.get(
    "/{collection_id}/report.html",
    summary="Get a collection's report as a page",
    response_class=Response,
    responses={**_HTML, **problems(404)},
)
async def get_report_page(backing: Backed, owner: ReadingOwner, collection_id: str) -> Response:
    """The worst ten with their pictures, what failed with its mend, then all artworks by mean error."""
    collection = await run_in_threadpool(backing.ledger.collections.get, owner, collection_id)
    sheet = await _sheet(backing, owner, collection, order="error", start=0, most=WORST)
    chunks = await run_in_threadpool(_report_page, backing, collection, sheet)
    return StreamingResponse(
        chunks, media_type="text/html; charset=utf-8", headers={"Content-Security-Policy": RESULT_POLICY}
    )


def _report_page(backing: Backing, collection: Collection, sheet: bytes | None) -> Iterator[str]:
    answer = _answer(backing, collection)
    told = [
        ("asked for", answer.created.strftime("%Y-%m-%d %H:%M UTC")),
        ("report of", datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")),
        ("fab", f"{answer.fab.id}, revision {answer.fab.revision}"),
        ("artworks", str(answer.artworks)),
        *((name, str(number)) for name, number in answer.counts.items() if number),
        ("converted before", str(answer.reused)),
        ("files left out", ", ".join(answer.skipped[:20]) or "none"),
    ]
    faults = (row for name in ("failed", REFUSED, "cancelled") for row in _rows(backing, collection, state=name))
    return report_html(answer.name, told, sheet, faults, _rows(backing, collection, state="done"))


@router.get(
    "/{collection_id}/contact-sheet.png",
    summary="Get a page of a collection's contact sheet",
    response_class=Response,
    responses={
        200: {
            "description": "A picture of the boards that are done, with names and errors",
            "content": {"image/png": {"schema": {"type": "string", "format": "binary"}}},
            "headers": {"Link": {"description": 'the next page, as `<...>; rel="next"`', "schema": {"type": "string"}}},
        },
        **problems(404, 422, 429),
    },
)
async def get_contact_sheet(
    backing: Backed,
    owner: ReadingOwner,
    collection_id: str,
    page: Annotated[int, Query(ge=1, le=100_000, description="from 1")] = 1,
    order: Annotated[
        Literal["given", "error"], Query(description="as given, or by mean error, the worst first")
    ] = "given",
) -> Response:
    """96 boards on each page. Those whose files were given up have an empty place."""
    collection = await run_in_threadpool(backing.ledger.collections.get, owner, collection_id)
    start = (page - 1) * SHEET_ENTRIES
    sheet = await _sheet(backing, owner, collection, order=order, start=start, most=SHEET_ENTRIES)
    if sheet is None:
        raise ProtocolError(
            "not-found",
            f"There is no page {page}: no artwork of this collection is done yet beyond the page before.",
            mend="Ask for an earlier page, or later.",
        )
    done = (await run_in_threadpool(backing.ledger.collections.standing, collection.id)).counts.get("done", 0)
    headers = {"Content-Security-Policy": RESULT_POLICY}
    if start + SHEET_ENTRIES < done:
        following = f"/v1/collections/{collection.id}/contact-sheet.png?page={page + 1}&order={order}"
        headers["Link"] = f'<{following}>; rel="next"'
    return Response(sheet, media_type="image/png", headers=headers)


async def _sheet(
    backing: Backing,
    owner: str,
    collection: Collection,
    *,
    order: Literal["given", "error"],
    start: int,
    most: int,
) -> bytes | None:
    """A picture of some previews of what is done, which a worker draws; None where there are none."""
    question = await run_in_threadpool(_sheet_question, backing, collection, order, start, most)
    if question is None:
        return None
    job = await ask(backing, owner, question)
    if answer_of(job) is None:
        raise ProtocolError(
            "unavailable", "No worker drew the contact sheet in time.", mend="Ask again when there is less to do."
        )
    return await run_in_threadpool(read_result, backing, owner, job.id, SHEET)


def _sheet_question(
    backing: Backing, collection: Collection, order: Literal["given", "error"], start: int, most: int
) -> Question | None:
    shown = backing.ledger.collections.members(collection.id, order=order, state="done", start=start, size=most)
    if not shown:
        return None
    entries = []
    inputs: dict[str, InputFile] = {}
    packages = backing.ledger.collections.packages_of(shown)
    for number, member in enumerate(shown):
        row = _row(member)
        entries.append([member.path, "no error known" if row.mean is None else f"error {row.mean:.2f}"])
        package = packages.get(member.position)
        preview = None if package is None else _preview(package.files)
        if package is not None and preview is not None:
            inputs[str(number)] = InputFile(
                key=package.key, bytes=preview.bytes, sha256=preview.sha256, start=preview.start, name=member.path
            )
    return Question(
        kind="contact-sheet",
        name=collection.name,
        fab_id=collection.fab_id,
        fab_revision=collection.fab_revision,
        settings={"entries": entries},
        inputs=inputs,
    )


def _preview(files: tuple[JobFile, ...]) -> JobFile | None:
    return next((file for file in files if file.path in PREVIEWS), None)


@router.get(
    "/{collection_id}/package.zip",
    summary="Get all results of a collection",
    response_class=Response,
    responses={
        200: {
            "description": "A ZIP archive: a folder for each artwork that is done, report.json, report.html and "
            "contact-sheet-1.png and on. Made as it is sent, so its length is not known before",
            "content": {"application/zip": {"schema": {"type": "string", "format": "binary"}}},
        },
        **problems(404),
    },
)
async def get_package(backing: Backed, owner: ReadingOwner, collection_id: str) -> Response:
    """What is done by now. A package of a collection that is still worked on holds a part of it."""
    collection = await run_in_threadpool(backing.ledger.collections.get, owner, collection_id)
    headers = {
        "Content-Disposition": f"attachment; filename*=UTF-8''{quote(collection.name, safe='')}.zip",
        "Content-Security-Policy": RESULT_POLICY,
    }
    return StreamingResponse(_package(backing, owner, collection), media_type="application/zip", headers=headers)


async def _package(backing: Backing, owner: str, collection: Collection) -> AsyncIterator[bytes]:
    stream = PackageStream(backing.store)
    async for chunk in in_pieces(stream.results(backing.ledger.collections.packages(collection.id))):
        yield chunk
    worst: bytes | None = None
    try:
        worst = await _sheet(backing, owner, collection, order="error", start=0, most=WORST)
        number = 0
        while sheet := await _sheet(
            backing, owner, collection, order="given", start=number * SHEET_ENTRIES, most=SHEET_ENTRIES
        ):
            number += 1
            for chunk in stream.file(f"contact-sheet-{number}.png", len(sheet), [sheet]):
                yield chunk
    except MaskwrightError as error:  # the results are on their way already, and worth more than their picture
        told = f"The contact sheet could not be drawn: {error.what} {error.mend}\n".encode()
        for chunk in stream.file("contact-sheet-missing.txt", len(told), [told]):
            yield chunk
    reports = {
        "report.json": partial(_report_json, backing, collection),
        "report.html": partial(_report_page, backing, collection, worst),
    }
    for path, report in reports.items():
        text = await run_in_threadpool(_joined, report)
        for chunk in stream.file(path, len(text), [text]):
            yield chunk
    for chunk in stream.end():
        yield chunk


def _joined(text: Callable[[], Iterator[str]]) -> bytes:
    """A text that is made in pieces, whole."""
    return "".join(text()).encode()
