"""Jobs: ask for one, look at it, list them, stop it."""

from __future__ import annotations

import logging
from contextlib import ExitStack
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from service.accepting import ACCEPTED, accepted
from service.answers import EXAMPLE_ID, JobAnswer, JobsAnswer, job_answer, problems
from service.backing import Backed
from service.callers import ReadingOwner, SubmittingOwner
from service.limits import check_before_upload
from service.paging import read_cursor
from service.submission import FROM_JOB, IdempotencyKey, setting_schemas, submit
from service.upload import ARTWORK, form_described, read_form
from worker.errors import SettingsError
from worker.job import BESIDE, BOARD_FILE, BOTTOM, CIRCUIT, CIRCUIT_FILE, KEEP_OUT, KINDS, LANES
from worker.job_settings import REPEATABLE

router = APIRouter(prefix="/v1/jobs", tags=["jobs"])

log = logging.getLogger(__name__)


def _form_schema() -> dict[str, Any]:
    properties: dict[str, Any] = {
        ARTWORK: {"type": "string", "format": "binary", "description": "the artwork's file, with its name"},
        BOTTOM: {
            "type": "string",
            "format": "binary",
            "description": "the artwork of the bottom, as it is seen from behind: the result then has top/, bottom/ "
            "and views/. May be left out; then the bottom shows the fab's `back`",
        },
        BOARD_FILE: {
            "type": "string",
            "format": "binary",
            "description": "outline, cut-outs, holes and slots of the board, as TOML or JSON; may be left out",
        },
        CIRCUIT: {
            "type": "string",
            "format": "binary",
            "description": "a working circuit that the art lies beside: one archive of its Gerber and drill files, "
            "which give the board's shape; may be left out",
        },
        CIRCUIT_FILE: {
            "type": "string",
            "format": "binary",
            "description": "what is said of the circuit, as TOML or JSON: layers, net, place of the artwork, places "
            "that art keeps out of; may be left out",
        },
        KEEP_OUT: {
            "type": "string",
            "format": "binary",
            "description": "a picture or SVG of the circuit's board as it is seen from the top, dark where art keeps "
            "out; may be left out",
        },
        FROM_JOB: {
            "type": "string",
            "description": "id of a job of yours whose artwork and further files are taken, in place of files",
        },
        "fab": {"type": "string", "description": "id of a fab; GET /v1/fabs lists them"},
        "lane": {
            "type": "string",
            "enum": list(LANES),
            "default": "batch",
            "description": "interactive jobs have a worker of their own and wait for no batch",
        },
    }
    properties |= setting_schemas()
    return {"type": "object", "required": ["fab"], "properties": properties}


_FORM = form_described(
    _form_schema(),
    {
        "badge": {
            "summary": "a badge, 60 mm wide",
            "value": {ARTWORK: "(the bytes of badge.png)", "fab": "example-fab", "width": "60mm"},
        },
        "keepsake": {
            "summary": "a keepsake with art on both sides, 24 mm round, with the files for the fab",
            "value": {
                ARTWORK: "(the bytes of front.png)",
                BOTTOM: "(the bytes of back.png)",
                "fab": "example-fab",
                "width": "24mm",
                "board": "disc",
                "fabrication": "on",
            },
        },
        "badge beside a circuit": {
            "summary": "art around a working circuit, over its ground copper",
            "value": {
                ARTWORK: "(the bytes of badge.png)",
                CIRCUIT: "(the bytes of my-circuit.zip)",
                CIRCUIT_FILE: 'net = "GND"',
                "fab": "example-fab",
            },
        },
    },
    repeated=REPEATABLE,
)


@router.post(
    "",
    status_code=202,
    response_model=JobAnswer,
    summary="Ask for a job",
    responses={
        **ACCEPTED,
        **problems(400, 404, 409, 410, 413, 415, 422, 429, 507),
    },
    openapi_extra=_FORM,
)
async def create_job(
    request: Request,
    backing: Backed,
    owner: SubmittingOwner,
    idempotency_key: IdempotencyKey = None,
) -> JSONResponse:
    """Takes the artwork and the settings as a form. Whatever is wrong with them is said now; the work is done later.

    With `from_job` the files are those of an earlier job.
    """
    await check_before_upload(request, backing, owner, asked=False, key=idempotency_key)
    store = backing.store
    with ExitStack() as open_files:
        spooled = {name: open_files.enter_context(store.spool()) for name in (ARTWORK, *BESIDE)}
        form = await read_form(request, spooled, backing.environment.max_upload_bytes)
        job, new = await run_in_threadpool(submit, backing, owner, idempotency_key, form, spooled)
    return accepted(backing, job, new)


@router.get("", response_model=JobsAnswer, summary="List jobs, newest first", responses=problems(422))
def list_jobs(
    backing: Backed,
    owner: ReadingOwner,
    limit: Annotated[int, Query(ge=1, le=200, description="how many on a page")] = 50,
    cursor: Annotated[str | None, Query(description="from `next` of the page before", examples=["1234"])] = None,
    kind: Annotated[str, Query(description=f"one of {', '.join(KINDS)}", examples=["preview"])] = KINDS[0],
) -> JobsAnswer:
    """One page; `next` leads to the one after it. New jobs never move the pages.

    Jobs that a request waits for (previews and the like) are of another kind, and are kept for an hour only.
    """
    before = read_cursor(cursor)
    if kind not in KINDS:
        raise SettingsError(f"kind is {kind[:64]!r}.", mend=f"Choose one of: {', '.join(KINDS)}.", setting="kind")
    found = backing.ledger.jobs.page(owner, before=before, size=limit + 1, kind=kind)
    more = len(found) > limit
    only = "" if kind == KINDS[0] else f"&kind={kind}"
    return JobsAnswer(
        jobs=[job_answer(job) for job in found[:limit]],
        next=f"/v1/jobs?limit={limit}&cursor={found[limit - 1].seq}{only}" if more else None,
    )


@router.get("/{job_id}", response_model=JobAnswer, summary="Look at a job", responses=problems(404))
def get_job(backing: Backed, owner: ReadingOwner, job_id: str) -> JobAnswer:
    """Its state, progress by stage, score and links."""
    return job_answer(backing.ledger.jobs.get(owner, job_id))


@router.delete(
    "/{job_id}",
    response_model=JobAnswer,
    summary="Stop a job",
    responses={
        200: {"description": f"The job, cancelled; GET /v1/jobs/{EXAMPLE_ID} shows it on"},
        **problems(404, 409),
    },
)
def cancel_job(backing: Backed, owner: SubmittingOwner, job_id: str) -> JobAnswer:
    """A waiting job never starts; a running one is stopped by its worker within seconds. Stopping twice is no error."""
    return job_answer(backing.ledger.jobs.cancel(owner, job_id))
