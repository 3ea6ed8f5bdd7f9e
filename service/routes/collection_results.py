"""What comes of a collection: its report, its contact sheet, and all results in one archive."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable, Iterator
from functools import partial
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Query, Response
from fastapi.responses import StreamingResponse
from starlette.concurrency import run_in_threadpool

from service.answers import problems
from service.backing import Backed, Backing
from service.callers import ReadingOwner
from service.collection_package import PackageStream, in_pieces
from service.collection_report import CollectionReport, Links, drawn_sheet
from service.collection_series import MEDIA_TYPES, Form, drawn_animation
from service.errors import ProtocolError
from service.security_headers import RESULT_POLICY
from worker.collection.report_page import SHEET_ENTRIES, WORST
from worker.collection.result_names import REPORT_PAGE, REPORT_TABLE, sheet_name
from worker.errors import MaskwrightError
from worker.ledger.collections import Collection, Order

router = APIRouter(prefix="/v1/collections", tags=["collections"])

ChosenLinks = Annotated[
    Links, Query(description="links lead to the service, or to the files of the package that lies beside it")
]


@router.get(
    "/{collection_id}/report.json",
    summary="Get a collection's report as JSON",
    response_class=Response,
    responses={
        200: {
            "description": "All artworks by mean error, the worst first, then those without one, with their mends",
            "content": {"application/json": {"schema": {"type": "object"}}},
        },
        **problems(404, 422),
    },
)
def get_report(backing: Backed, owner: ReadingOwner, collection_id: str, links: ChosenLinks = "service") -> Response:
    """As it is now; it may be asked for while the collection is worked on."""
    collection = backing.ledger.collections.get(owner, collection_id)
    report = CollectionReport(backing, collection, links)
    return StreamingResponse(in_pieces(_encoded(report.json())), media_type="application/json")


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
    responses={**_HTML, **problems(404, 422)},
)
async def get_report_page(
    backing: Backed, owner: ReadingOwner, collection_id: str, links: ChosenLinks = "service"
) -> Response:
    """The worst ten with their pictures, what failed with its mend, then all artworks by mean error."""
    collection = await run_in_threadpool(backing.ledger.collections.get, owner, collection_id)
    sheet = await drawn_sheet(backing, owner, collection, order="error", start=0, most=WORST)
    report = await run_in_threadpool(CollectionReport, backing, collection, links)
    chunks = await run_in_threadpool(report.page, sheet)
    return StreamingResponse(
        in_pieces(_encoded(chunks)),
        media_type="text/html; charset=utf-8",
        headers={"Content-Security-Policy": RESULT_POLICY},
    )


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
    order: Annotated[Order, Query(description="as given, or by mean error, the worst first")] = "given",
) -> Response:
    """96 boards on each page. Those whose files were given up have an empty place."""
    collection = await run_in_threadpool(backing.ledger.collections.get, owner, collection_id)
    start = (page - 1) * SHEET_ENTRIES
    sheet = await drawn_sheet(backing, owner, collection, order=order, start=start, most=SHEET_ENTRIES)
    if sheet is None:
        raise ProtocolError(
            "not-found",
            f"There is no page {page}: no artwork of this collection is done yet beyond the page before.",
            mend="Ask for an earlier page, or later.",
        )
    after = partial(
        backing.ledger.collections.members, collection.id, state="done", start=start + SHEET_ENTRIES, size=1
    )
    headers = {"Content-Security-Policy": RESULT_POLICY}
    if await run_in_threadpool(after):
        following = f"/v1/collections/{collection.id}/contact-sheet.png?page={page + 1}&order={order}"
        headers["Link"] = f'<{following}>; rel="next"'
    return Response(sheet, media_type="image/png", headers=headers)


@router.get(
    "/{collection_id}/animation.{form}",
    summary="Get a series in motion",
    response_class=Response,
    responses={
        200: {
            "description": "The boards that are done, one after the other, each beside its artwork",
            "content": {kind: {"schema": {"type": "string", "format": "binary"}} for kind in MEDIA_TYPES.values()},
        },
        **problems(404, 422, 429),
    },
)
async def get_animation(
    backing: Backed,
    owner: ReadingOwner,
    collection_id: str,
    form: Form,
    rate: Annotated[
        float | None, Query(ge=0.1, le=50.0, description="boards a second (default: as the artworks' file says)")
    ] = None,
) -> Response:
    """Of a collection that was asked for with series=on. A GIF has 256 colours; the others keep all."""
    collection = await run_in_threadpool(backing.ledger.collections.get, owner, collection_id)
    data = await drawn_animation(backing, owner, collection, form, rate)
    if data is None:
        raise ProtocolError(
            "not-found",
            "There is no board to show: the collection is no series, or no piece of it is done yet.",
            mend="Ask for a series with series=on, and for its animation once a piece is done.",
        )
    return Response(data, media_type=MEDIA_TYPES[form], headers={"Content-Security-Policy": RESULT_POLICY})


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
    """The reports come first: whatever ends while the results are sent, each result that they link to is among them."""
    report = await run_in_threadpool(CollectionReport, backing, collection, "package")
    stream = PackageStream(backing.store, report.folders)
    worst: bytes | None = None
    fault: MaskwrightError | None = None
    try:
        worst = await drawn_sheet(backing, owner, collection, order="error", start=0, most=WORST)
    except MaskwrightError as error:  # the results are worth more than their picture
        fault = error
    page = await run_in_threadpool(report.page, worst)
    for path, parts in ((REPORT_PAGE, page), (REPORT_TABLE, report.json())):
        async for chunk in in_pieces(stream.text(path, parts)):
            yield chunk
    async for chunk in in_pieces(stream.results(backing.ledger.collections.packages(collection.id))):
        yield chunk
    async for path, data in _animations(backing, owner, collection):
        yield stream.file(path, data)
    number = 0
    while fault is None:
        start = number * SHEET_ENTRIES
        try:
            sheet = await drawn_sheet(backing, owner, collection, order="given", start=start, most=SHEET_ENTRIES)
        except MaskwrightError as error:
            fault = error
            break
        if sheet is None:
            break
        number += 1
        yield stream.file(sheet_name(number), sheet)
    if fault is not None:
        told = f"The contact sheet could not be drawn: {fault.what} {fault.mend}\n".encode()
        yield stream.file("contact-sheet-missing.txt", told)
    for piece in stream.end():
        yield piece


async def _animations(backing: Backing, owner: str, collection: Collection) -> AsyncIterator[tuple[str, bytes]]:
    """The boards of a series in motion, or why there is no picture of them."""
    forms: tuple[Form, ...] = ("webp", "gif")
    for form in forms:
        try:
            data = await drawn_animation(backing, owner, collection, form, None)
        except MaskwrightError as error:  # the results are on their way already, and worth more than their picture
            yield f"boards-{form}-missing.txt", f"It could not be made: {error.what} {error.mend}\n".encode()
            continue
        if data is None:
            return
        yield f"boards.{form}", data


def _encoded(parts: Iterable[str]) -> Iterator[bytes]:
    return (part.encode() for part in parts)
