"""A job's result: its list of files, each file, and all of them as one archive."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import chain
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Depends, Response
from fastapi.responses import StreamingResponse

from service.answers import FilesAnswer, file_answer, problems
from service.backing import Backed, Backing
from service.callers import ReadingOwner
from service.conditions import Asked, byte_range, strong_tags, tags
from service.errors import ProtocolError
from service.security_headers import RESULT_POLICY
from worker.errors import NotFoundError
from worker.job import JobFile, Package
from worker.result_archive import folder_of

router = APIRouter(prefix="/v1/jobs", tags=["files"])


FOREVER = "private, max-age=31536000, immutable"
"""A result never changes once it is published."""


@router.get("/{job_id}/files", response_model=FilesAnswer, summary="List result files", responses=problems(404, 410))
def list_files(backing: Backed, owner: ReadingOwner, job_id: str) -> FilesAnswer:
    """Empty before the job is done."""
    job = backing.ledger.jobs.get(owner, job_id)
    files = backing.ledger.jobs.package(owner, job_id).files if job.state == "done" else ()
    return FilesAnswer(state=job.state, files=[file_answer(job_id, file) for file in files])


FILE_RESPONSES: dict[int | str, dict[str, Any]] = {
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
}


@router.get(
    "/{job_id}/files/{path:path}",
    summary="Get a result file",
    response_class=Response,
    responses={**FILE_RESPONSES, **problems(404, 410, 416)},
)
def get_file(
    backing: Backed, owner: ReadingOwner, job_id: str, path: str, asked: Annotated[Asked, Depends()]
) -> Response:
    """Whole or in part; its entity tag is its SHA-256."""
    return send_file(backing, owner, job_id, path, asked)


PACKAGE_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "A ZIP archive with one folder, named like the artwork",
        "content": {"application/zip": {"schema": {"type": "string", "format": "binary"}}},
    },
    206: {"description": "The part of it that Range asked for"},
    304: {"description": "If-None-Match names the archive as it is"},
}


@router.get(
    "/{job_id}/package.zip",
    summary="Get the whole result",
    response_class=Response,
    responses={**PACKAGE_RESPONSES, **problems(404, 410, 416)},
)
def get_package(backing: Backed, owner: ReadingOwner, job_id: str, asked: Annotated[Asked, Depends()]) -> Response:
    """The archive that the job made, streamed from the object store; a broken download goes on by Range."""
    return send_package(backing, owner, job_id, asked)


for _path, _route in (("/{job_id}/files/{path:path}", get_file), ("/{job_id}/package.zip", get_package)):
    router.add_api_route(_path, _route, methods=["HEAD"], include_in_schema=False)


def find_file(package: Package, job_id: str, path: str) -> JobFile:
    """A file of a result. Raises NotFoundError."""
    file = package.file(path)
    if file is None:
        raise NotFoundError(f"Job {job_id} has no file {path!r}.", mend=f"GET /v1/jobs/{job_id}/files lists its files.")
    return file


def read_result(backing: Backing, owner: str, job_id: str, path: str) -> bytes:
    """One file of a job of this owner, whole, for the service's own use. Raises NotFoundError."""
    package = backing.ledger.jobs.package(owner, job_id)
    file = find_file(package, job_id, path)
    return b"".join(backing.store.read(package.key, file.start, file.start + file.bytes))


def send_file(backing: Backing, owner: str, job_id: str, path: str, asked: Asked, *, cache: str = FOREVER) -> Response:
    """One file of a job of this owner, or the part of it that is asked for. Raises NotFoundError, ProtocolError."""
    package = backing.ledger.jobs.package(owner, job_id)
    file = find_file(package, job_id, path)
    return _send(
        backing,
        package.key,
        file.start,
        file.bytes,
        tag=file.sha256,
        media_type=file.media_type,
        asked=asked,
        headers={"Cache-Control": cache},
    )


def send_package(backing: Backing, owner: str, job_id: str, asked: Asked, *, cache: str = FOREVER) -> Response:
    """The whole result of a job of this owner, or the part of it that is asked for. Raises as `send_file`."""
    package = backing.ledger.jobs.package(owner, job_id)
    stem = folder_of(backing.ledger.jobs.get(owner, job_id).name)
    return _send(
        backing,
        package.key,
        0,
        package.bytes,
        tag=package.key.rpartition("/")[2],
        media_type="application/zip",
        asked=asked,
        headers={
            "Cache-Control": cache,
            "Content-Disposition": f"attachment; filename*=UTF-8''{quote(stem)}.zip",
        },
    )


def _send(
    backing: Backing,
    key: str,
    offset: int,
    size: int,
    *,
    tag: str,
    media_type: str,
    asked: Asked,
    headers: Mapping[str, str],
) -> Response:
    """`size` bytes of an object from `offset` on, or the part of them that is asked for."""
    sent = {"ETag": f'"{tag}"', "Accept-Ranges": "bytes", "Content-Security-Policy": RESULT_POLICY, **headers}
    if set(tags(asked.if_none_match)) & {"*", tag}:
        return Response(status_code=304, headers=sent)
    part = None
    if asked.if_range is None or tag in strong_tags(asked.if_range):
        part = byte_range(asked.range, size)
    start, end = part or (0, size)
    sent["Content-Length"] = str(end - start)
    if part is not None:
        sent["Content-Range"] = f"bytes {start}-{end - 1}/{size}"
    return StreamingResponse(
        _content(backing, key, offset + start, offset + end),
        status_code=200 if part is None else 206,
        headers=sent,
        media_type=media_type,
    )


def _content(backing: Backing, key: str, start: int, end: int) -> Iterator[bytes]:
    """Bytes of an object; a missing one is found before the first byte goes out."""
    chunks = backing.store.read(key, start, end)
    try:
        first = next(chunks, b"")
    except FileNotFoundError as error:
        raise ProtocolError(
            "damaged", "The result is gone from the object store.", mend="Run the job again."
        ) from error
    return chain((first,), chunks)
