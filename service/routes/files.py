"""A job's result: its list of files, each file, and all of them as one archive."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain
from pathlib import PurePosixPath
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Header, Request, Response
from fastapi.responses import StreamingResponse

from service.answers import FilesAnswer, file_answer, problems
from service.backing import Backed, Backing, Owner
from service.conditions import byte_range, strong_tags, tags
from service.errors import ProtocolError
from service.package import Entry, zip_stream
from worker.errors import ConflictError
from worker.job import JobFile

router = APIRouter(prefix="/v1/jobs", tags=["files"])

FOREVER = "private, max-age=31536000, immutable"
"""A result never changes once it is published."""


@router.get("/{job_id}/files", response_model=FilesAnswer, summary="List result files", responses=problems(404))
def list_files(backing: Backed, owner: Owner, job_id: str) -> FilesAnswer:
    """Empty before the job is done."""
    job = backing.ledger.jobs.get(owner, job_id)
    found = backing.ledger.jobs.files(owner, job_id)
    return FilesAnswer(state=job.state, files=[file_answer(job_id, file) for file in found])


@router.get(
    "/{job_id}/files/{path:path}",
    summary="Get a result file",
    response_class=Response,
    responses={
        200: {
            "description": "The file",
            "content": {
                "image/png": {"schema": {"type": "string", "format": "binary"}},
                "application/json": {"schema": {"type": "object"}},
            },
            "headers": {"ETag": {"description": "the file's SHA-256", "schema": {"type": "string"}}},
        },
        206: {"description": "The part of it that Range asked for"},
        304: {"description": "If-None-Match names the file as it is"},
        **problems(404, 416),
    },
)
def get_file(
    backing: Backed,
    owner: Owner,
    job_id: str,
    path: str,
    range_: Annotated[str | None, Header(alias="Range", examples=["bytes=0-1023"])] = None,
    if_range: Annotated[str | None, Header()] = None,
    if_none_match: Annotated[str | None, Header()] = None,
) -> Response:
    """Whole or in part; its entity tag is its SHA-256."""
    file = backing.ledger.jobs.file(owner, job_id, path)
    headers = {"ETag": f'"{file.sha256}"', "Cache-Control": FOREVER, "Accept-Ranges": "bytes"}
    if set(tags(if_none_match)) & {"*", file.sha256}:
        return Response(status_code=304, headers=headers)
    part = None
    if if_range is None or file.sha256 in strong_tags(if_range):
        part = byte_range(range_, file.bytes)
    start, end = part or (0, file.bytes)
    headers["Content-Length"] = str(end - start)
    if part is not None:
        headers["Content-Range"] = f"bytes {start}-{end - 1}/{file.bytes}"
    return StreamingResponse(
        _content(backing, file, start, end),
        status_code=200 if part is None else 206,
        headers=headers,
        media_type=file.media_type,
    )


router.add_api_route("/{job_id}/files/{path:path}", get_file, methods=["HEAD"], include_in_schema=False)


def _content(backing: Backing, file: JobFile, start: int, end: int) -> Iterator[bytes]:
    """The bytes of a file; a missing one is found before the first byte goes out."""
    chunks = backing.store.read(file.key, start, end)
    try:
        first = next(chunks, b"")
    except FileNotFoundError as error:
        raise ProtocolError(
            "damaged", f"The file {file.path!r} is gone from the object store.", mend="Run the job again."
        ) from error
    return chain((first,), chunks)


@router.get(
    "/{job_id}/package.zip",
    summary="Get the whole result",
    response_class=Response,
    responses={
        200: {
            "description": "A ZIP archive with one folder, named like the artwork",
            "content": {"application/zip": {"schema": {"type": "string", "format": "binary"}}},
        },
        **problems(404, 409),
    },
)
def get_package(request: Request, backing: Backed, owner: Owner, job_id: str) -> Response:
    """Made as it is sent, however large it is."""
    job = backing.ledger.jobs.get(owner, job_id)
    if job.state != "done":
        raise ConflictError(f"Job {job_id} is {job.state}.", mend="A package is there once the job is done.")
    stem = PurePosixPath(job.name).stem or "artwork"
    entries = (
        Entry(
            name=f"{stem}/{file.path}",
            size=file.bytes,
            stored=file.media_type.startswith("image/"),
            chunks=_content(backing, file, 0, file.bytes),
        )
        for file in backing.ledger.jobs.files(owner, job_id)
    )
    return StreamingResponse(
        zip_stream(entries),
        media_type="application/zip",
        headers={"Content-Disposition": f"attachment; filename*=UTF-8''{quote(stem)}.zip"},
    )
