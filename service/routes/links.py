"""Links that share a result with people who have no key: make one, follow one, revoke them."""

from __future__ import annotations

import time
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Response
from fastapi.responses import JSONResponse

from service.access_answers import LinkAnswer, LinkBody
from service.answers import moment, problems
from service.backing import Backed, Backing
from service.callers import Submitter
from service.conditions import Asked
from service.links import PACKAGE, check_link, file_place, link_to
from service.routes.files import FILE_RESPONSES, PACKAGE_RESPONSES, find_file, send_file, send_package
from worker.errors import ConflictError, SettingsError

router = APIRouter(prefix="/v1", tags=["links"])

DAY_SECONDS = 86400
_GONE: dict[int | str, dict[str, Any]] = problems(404, 410, 416)

Expires = Annotated[str, Query(description="as the link has it", examples=["1800000000"])]
Signature = Annotated[str, Query(description="as the link has it", examples=["5c1f"])]


@router.post(
    "/jobs/{job_id}/links",
    status_code=201,
    response_model=LinkAnswer,
    summary="Share a result",
    responses=problems(404, 409, 422),
)
def make_link(backing: Backed, submitter: Submitter, job_id: str, body: LinkBody) -> JSONResponse:
    """A link to the package, or to one file of it, that anybody may follow without a key until it ends."""
    days = backing.environment.link_days
    if body.seconds > days * DAY_SECONDS:
        raise SettingsError(
            f"seconds is {body.seconds}.",
            mend=f"A link lives {days * DAY_SECONDS} at most ({days} days).",
            setting="seconds",
        )
    job = backing.ledger.jobs.get(submitter.owner, job_id)
    if job.state != "done":
        raise ConflictError(f"Job {job_id} is {job.state}.", mend="Share its result when it is done.")
    package = backing.ledger.jobs.package(submitter.owner, job_id)
    place = PACKAGE if body.path is None else file_place(find_file(package, job_id, body.path).path)
    round = backing.ledger.links.round(job_id)
    assert round is not None
    expires = int(time.time()) + body.seconds
    backing.ledger.links.note(
        submitter.owner, job_id, f"{place}, until {moment(expires).isoformat()}", doer=submitter.doer()
    )
    answer = LinkAnswer(
        href=link_to(backing.secret, round, job_id, place, expires), path=body.path, expires=moment(expires)
    )
    return JSONResponse(answer.model_dump(mode="json"), status_code=201, headers={"Location": answer.href})


@router.delete("/jobs/{job_id}/links", status_code=204, summary="Revoke a job's links", responses=problems(404))
def revoke_links(backing: Backed, submitter: Submitter, job_id: str) -> None:
    """Every link to a result of this job leads nowhere from now on."""
    backing.ledger.jobs.get(submitter.owner, job_id)
    backing.ledger.links.revoke(submitter.owner, job_id, doer=submitter.doer())


@router.delete("/links", status_code=204, summary="Revoke all links", responses=problems())
def revoke_all_links(backing: Backed, submitter: Submitter) -> None:
    """Every link to a result of this owner leads nowhere from now on."""
    backing.ledger.links.revoke(submitter.owner, doer=submitter.doer())


@router.get(
    "/shared/{job_id}/files/{path:path}",
    summary="Follow a link to a file",
    response_class=Response,
    responses={**FILE_RESPONSES, **_GONE},
)
def get_shared_file(
    backing: Backed,
    job_id: str,
    path: str,
    asked: Annotated[Asked, Depends()],
    expires: Expires = "",
    signature: Signature = "",
) -> Response:
    """Needs no key: the link is the permission. Ranges and the entity tag are those of the file itself."""
    owner, left = _open(backing, job_id, file_place(path), expires, signature)
    return send_file(backing, owner, job_id, path, asked, cache=_until(left))


@router.get(
    "/shared/{job_id}/package.zip",
    summary="Follow a link to a package",
    response_class=Response,
    responses={**PACKAGE_RESPONSES, **_GONE},
)
def get_shared_package(
    backing: Backed,
    job_id: str,
    asked: Annotated[Asked, Depends()],
    expires: Expires = "",
    signature: Signature = "",
) -> Response:
    """Needs no key: the link is the permission. Ranges and the entity tag are those of the package itself."""
    owner, left = _open(backing, job_id, PACKAGE, expires, signature)
    return send_package(backing, owner, job_id, asked, cache=_until(left))


for _path, _route in (
    ("/shared/{job_id}/files/{path:path}", get_shared_file),
    ("/shared/{job_id}/package.zip", get_shared_package),
):
    router.add_api_route(_path, _route, methods=["HEAD"], include_in_schema=False)


def _open(backing: Backing, job_id: str, place: str, expires: str, signature: str) -> tuple[str, int]:
    """Whose result a link leads to, and the seconds it still has. Raises ProtocolError."""
    round = backing.ledger.links.round(job_id)
    left = check_link(backing.secret, round, job_id, place, expires, signature)
    assert round is not None
    return round.owner, left


def _until(seconds: int) -> str:
    return f"private, max-age={seconds}"
