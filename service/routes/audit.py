"""The audit trail, for admins."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query

from service.access_answers import AuditAnswer, audit_event_answer
from service.answers import problems
from service.backing import Backed
from service.callers import Admin
from service.paging import read_cursor
from worker.errors import SettingsError
from worker.ledger.audit import WHAT

router = APIRouter(prefix="/v1/audit", tags=["audit"])


@router.get("", response_model=AuditAnswer, summary="Read the audit trail", responses=problems(422))
def read_audit(
    backing: Backed,
    admin: Admin,
    limit: Annotated[int, Query(ge=1, le=200, description="how many on a page")] = 50,
    cursor: Annotated[str | None, Query(description="from `next` of the page before", examples=["1234"])] = None,
    owner: Annotated[str | None, Query(description="only events of this owner's things", examples=["ada"])] = None,
    what: Annotated[str | None, Query(description=f"one of {', '.join(WHAT)}", examples=["fab-edited"])] = None,
) -> AuditAnswer:
    """Who edited which fab, which keys were made, first used on a day, and revoked, which results were shared."""
    if what is not None and what not in WHAT:
        raise SettingsError(f"what is {what[:64]!r}.", mend=f"Choose one of: {', '.join(WHAT)}.")
    found = backing.ledger.audit.page(before=read_cursor(cursor), size=limit + 1, owner=owner, what=what)
    more = None
    if len(found) > limit:
        only = {name: value for name, value in (("owner", owner), ("what", what)) if value is not None}
        more = f"/v1/audit?{urlencode({'limit': limit, 'cursor': found[limit - 1].seq, **only})}"
    return AuditAnswer(events=[audit_event_answer(event) for event in found[:limit]], next=more)
