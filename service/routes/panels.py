"""Panels: ask for one. What becomes of it is a job's: its state, events, files and package are found there."""

from __future__ import annotations

import logging
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from service.accepting import ACCEPTED, accepted
from service.answers import EXAMPLE_ID, JobAnswer, problems
from service.backing import Backed
from service.callers import SubmittingOwner
from service.limits import check_before_upload
from service.panel_submission import submit_panel
from service.submission import IdempotencyKey
from service.upload import read_body
from worker.job import read_lane
from worker.table_reader import MAX_BYTES

router = APIRouter(prefix="/v1/panels", tags=["panels"])

log = logging.getLogger(__name__)

_TOML = f"""name = "tokens"
size = [100, 100]
label = true

[rails]
all = 8

[[pieces]]
job = "{EXAMPLE_ID}"      # or collection = "..."
count = "fill"

[numbering]
"""
_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "application/toml": {"schema": {"type": "string"}, "example": _TOML},
            "application/json": {
                "schema": {"type": "object"},
                "example": {"size": [100, 100], "pieces": [{"job": EXAMPLE_ID, "count": "fill"}]},
            },
        },
    }
}


@router.post(
    "",
    status_code=202,
    response_model=JobAnswer,
    summary="Ask for a panel",
    responses={
        **ACCEPTED,
        **problems(400, 404, 409, 410, 413, 422, 429, 507),
    },
    openapi_extra=_BODY,
)
async def create_panel(
    request: Request,
    backing: Backed,
    owner: SubmittingOwner,
    idempotency_key: IdempotencyKey = None,
    lane: Annotated[str, Query(description="batch, or interactive: waits for no batch", examples=["batch"])] = "batch",
) -> JSONResponse:
    """Takes a panel file, TOML or JSON, whose pieces are jobs or collections of yours with fabrication files.

    The panel is a job of the kind `panel`: `GET /v1/jobs?kind=panel` lists them, the job's links lead to its files and
    its package.
    """
    wanted = read_lane(lane)
    await check_before_upload(request, backing, owner, asked=False, key=idempotency_key)
    data = await read_body(request, MAX_BYTES, "panel file")
    job, new = await run_in_threadpool(submit_panel, backing, owner, wanted, data, idempotency_key)
    return accepted(backing, job, new)
