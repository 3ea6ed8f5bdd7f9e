"""Fabs: list them, read one, add one, edit one without losing another's edit."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Header, Query, Request, Response
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from service.answers import EXAMPLE_REVISION, problems
from service.backing import Backed, Backing
from service.callers import Caller, FabEditor, ReadingOwner
from service.conditions import tags
from service.edits import JSON_TAG, TAG_HEADER, EditedBy, IfMatch, check_match, read_stored, stale, who
from service.fab_answers import FabAnswer, FabsAnswer, fab_answer
from service.upload import read_body
from worker.errors import FabProfileError, NotFoundError
from worker.fab_profile import MAX_BYTES, FabProfile, read_fab_profile
from worker.ledger.fabs import Edit, StoredFab

router = APIRouter(prefix="/v1/fabs", tags=["fabs"])

TOML = "application/toml"
_TOML_EXAMPLE = 'id = "example-fab"\nfab = "Example Boards (invented)"\nname = "black mask, gold plating"\n# and so on'


@router.get("", response_model=FabsAnswer, summary="List fabs", responses=problems())
def list_fabs(backing: Backed, owner: ReadingOwner) -> FabsAnswer:
    """Every fab, by id."""
    return FabsAnswer(fabs=[fab_answer(stored, read_stored(stored)) for stored in backing.ledger.fabs.all(owner)])


@router.get(
    "/{fab_id}",
    summary="Read a fab",
    response_class=Response,
    responses={
        200: {
            "model": FabAnswer,
            "description": "The profile: its TOML, or a view of it where Accept asks for application/json",
            "content": {TOML: {"schema": {"type": "string"}, "example": _TOML_EXAMPLE}},
            "headers": TAG_HEADER,
        },
        304: {"description": "If-None-Match names the current revision"},
        **problems(404),
    },
)
def get_fab(
    backing: Backed,
    owner: ReadingOwner,
    fab_id: str,
    revision: Annotated[
        str | None, Query(description="an older revision, as a job records it", examples=[EXAMPLE_REVISION])
    ] = None,
    accept: Annotated[str, Header(examples=[TOML])] = "*/*",
    if_none_match: Annotated[str | None, Header()] = None,
) -> Response:
    """The exact bytes that were put, with their revision as entity tag."""
    stored = backing.ledger.fabs.get(owner, fab_id, revision)
    as_json = "application/json" in accept and TOML not in accept
    tag = stored.revision + (JSON_TAG if as_json else "")
    headers = {"ETag": f'"{tag}"', "Vary": "Accept", "Cache-Control": "private, no-cache"}
    if set(tags(if_none_match)) & {"*", tag}:
        return Response(status_code=304, headers=headers)
    if as_json:
        return JSONResponse(fab_answer(stored, read_stored(stored)).model_dump(mode="json"), headers=headers)
    return Response(stored.toml, media_type=TOML, headers=headers)


_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {TOML: {"schema": {"type": "string"}, "example": _TOML_EXAMPLE}},
    }
}


@router.put(
    "/{fab_id}",
    response_model=FabAnswer,
    summary="Add or edit a fab",
    responses={
        200: {"description": "Edited", "headers": TAG_HEADER},
        201: {"model": FabAnswer, "description": "Added", "headers": TAG_HEADER},
        **problems(412, 413, 422, 428),
    },
    openapi_extra=_BODY,
)
async def put_fab(
    request: Request,
    backing: Backed,
    editor: FabEditor,
    fab_id: str,
    if_match: IfMatch = None,
    if_none_match: Annotated[str | None, Header(description="* to add and never to edit", examples=["*"])] = None,
    edited_by: EditedBy = None,
) -> JSONResponse:
    """The TOML of the profile; its id must be that of the path. Jobs asked for before keep their revision."""
    by = who(edited_by)
    fab = read_fab_profile(await read_body(request, MAX_BYTES, "profile"), file_name=f"fab {fab_id}")
    if fab.id != fab_id:
        raise FabProfileError(
            f"fab {fab_id}: id: is {fab.id!r}.", mend=f"Write id = {fab_id!r}, or put it at /v1/fabs/{fab.id}."
        )
    stored, new = await run_in_threadpool(_store, backing, editor, fab, if_match, tags(if_none_match), by)
    return JSONResponse(
        fab_answer(stored, fab).model_dump(mode="json"),
        status_code=201 if new else 200,
        headers={"ETag": f'"{stored.revision}"', "Location": f"/v1/fabs/{fab_id}"},
    )


def _store(
    backing: Backing, editor: Caller, fab: FabProfile, if_match: str | None, if_none_match: list[str], by: str
) -> tuple[StoredFab, bool]:
    """Add or edit, as far as the conditions allow."""
    fabs, owner = backing.ledger.fabs, editor.owner
    try:
        current = fabs.get(owner, fab.id)
    except NotFoundError:
        if if_match is not None:
            raise stale(fab.id, "does not exist") from None
        if not fabs.create(owner, fab.id, fab.revision, fab.toml, Edit(what="added", by=by, key=editor.key)):
            raise stale(fab.id, "was added by another just now") from None
        return fabs.get(owner, fab.id), True
    if "*" in if_none_match:
        raise stale(fab.id, "exists already")
    check_match(current, if_match)
    edit = Edit(what="replaced as a whole", by=by, key=editor.key)
    if not fabs.replace(owner, fab.id, fab.revision, fab.toml, started_from=current.revision, edit=edit):
        raise stale(fab.id, "was edited by another just now")
    return fabs.get(owner, fab.id), False
