"""The history of a fab: its revisions, the way back to any of them, and what differs between two."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse

from service.answers import EXAMPLE_REVISION, moment, problems
from service.backing import Backed
from service.callers import FabEditor, ReadingOwner
from service.edits import TAG_HEADER, EditedBy, IfMatch, edit_fab, read_stored, who
from service.fab_answers import (
    DifferenceAnswer,
    DifferencesAnswer,
    EventAnswer,
    FabAnswer,
    HistoryAnswer,
    fab_answer,
)
from service.fab_edits import RestoreBody
from service.paging import read_cursor
from worker.ledger.fabs import Edit, FabEvent
from worker.profile_edits import profile_differences

router = APIRouter(prefix="/v1/fabs/{fab_id}", tags=["revisions"])


@router.get(
    "/revisions", response_model=HistoryAnswer, summary="List the revisions of a fab", responses=problems(404, 422)
)
def list_revisions(
    backing: Backed,
    owner: ReadingOwner,
    fab_id: str,
    limit: Annotated[int, Query(ge=1, le=200, description="how many on a page")] = 50,
    cursor: Annotated[str | None, Query(description="from `next` of the page before", examples=["1234"])] = None,
) -> HistoryAnswer:
    """Every edit, the newest first: who, when, what. A revision that became current twice stands there twice."""
    before = read_cursor(cursor)
    current = backing.ledger.fabs.get(owner, fab_id).revision
    found = backing.ledger.fabs.history(owner, fab_id, before=before, size=limit + 1)
    more = len(found) > limit
    return HistoryAnswer(
        current=current,
        revisions=[_event(fab_id, event) for event in found[:limit]],
        next=f"/v1/fabs/{fab_id}/revisions?limit={limit}&cursor={found[limit - 1].seq}" if more else None,
    )


def _event(fab_id: str, event: FabEvent) -> EventAnswer:
    return EventAnswer(
        revision=event.revision,
        previous=event.previous,
        what=event.what,
        owner=event.owner,
        by=event.by,
        at=moment(event.at),
        href=f"/v1/fabs/{fab_id}?revision={event.revision}",
    )


@router.post(
    "/restore",
    response_model=FabAnswer,
    summary="Go back to a revision",
    responses={
        200: {"description": "The revision is the current one again", "headers": TAG_HEADER},
        **problems(404, 412, 422, 428),
    },
)
def restore(
    backing: Backed,
    editor: FabEditor,
    fab_id: str,
    body: RestoreBody,
    if_match: IfMatch = None,
    edited_by: EditedBy = None,
) -> JSONResponse:
    """Its exact bytes are current again. What was current stays in the history, to be gone back to as well."""
    wanted = backing.ledger.fabs.get(editor.owner, fab_id, body.revision)
    edit = Edit(what=f"went back to revision {body.revision}", by=who(body.by, edited_by))
    stored, fab = edit_fab(backing, editor, fab_id, if_match, lambda _: wanted.toml, edit)
    answer = fab_answer(stored, fab)
    return JSONResponse(answer.model_dump(mode="json"), headers={"ETag": f'"{stored.revision}"'})


@router.get("/diff", response_model=DifferencesAnswer, summary="Compare two revisions", responses=problems(404, 422))
def compare(
    backing: Backed,
    owner: ReadingOwner,
    fab_id: str,
    old: Annotated[str, Query(alias="from", description="a revision", examples=[EXAMPLE_REVISION])],
    new: Annotated[str | None, Query(alias="to", description="another; the current one if left out")] = None,
) -> DifferencesAnswer:
    """What changed, finish by finish; comments and layout don't count."""
    one, two = (backing.ledger.fabs.get(owner, fab_id, revision) for revision in (old, new))
    found = profile_differences(read_stored(one), read_stored(two))
    return DifferencesAnswer(
        old=one.revision, new=two.revision, differences=[DifferenceAnswer(**asdict(each)) for each in found]
    )
