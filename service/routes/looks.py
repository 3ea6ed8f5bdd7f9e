"""Looking closely: a draft of a conversion before it is asked for, and the pictures of one that is done."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import replace
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from service.answers import problems
from service.asking import ANSWER_SECONDS, LATER, Question, answer_of, ask, ask_once, keep_input, later
from service.backing import Backed, Backing
from service.callers import ReadingOwner, SubmittingOwner
from service.limits import check_before_upload
from service.look_answers import LookAnswer, look_answer
from service.submission import (
    FROM_JOB,
    chosen_fab,
    files_of_form,
    files_of_job,
    setting_schemas,
    settings_of_one,
    sorted_fields,
)
from service.upload import ARTWORK, form_described, read_form
from worker.errors import ConflictError, ExpiredError, SettingsError
from worker.job import (
    BESIDE,
    BOARD_FILE,
    BOTTOM,
    CIRCUIT,
    CIRCUIT_FILE,
    FRAMES,
    KEEP_OUT,
    PALETTE_FILE,
    PLAN_FILE,
    PREVIOUS_FILE,
    InputFile,
    Job,
)
from worker.job_settings import REPEATABLE, check_against_fab, length_mm, read_settings

router = APIRouter(prefix="/v1", tags=["looking"])

DETAIL = "detail"
LONGEST_PX: dict[str, int | None] = {"quick": 400, "fine": 1200}
"""How long the longer side of a draft is, in pixels, where the job's own pitch is not coarser."""

Side = Annotated[Literal["top", "bottom"], Query(description="of a job with two artworks")]


def _form_schema() -> dict[str, Any]:
    file = {"type": "string", "format": "binary"}
    properties: dict[str, Any] = {
        ARTWORK: {**file, "description": "the artwork, or a smaller copy of it"},
        BOTTOM: {**file, "description": "the artwork of the bottom; may be left out"},
        BOARD_FILE: {**file, "description": "outline, cut-outs and holes; may be left out"},
        CIRCUIT: {**file, "description": "the circuit that the art lies beside, as one archive; may be left out"},
        CIRCUIT_FILE: {**file, "description": "what is said of the circuit; may be left out"},
        KEEP_OUT: {**file, "description": "a picture of the board, dark where art keeps out; may be left out"},
        FROM_JOB: {"type": "string", "description": "id of a job of yours whose files are taken, in place of files"},
        "fab": {"type": "string", "description": "id of a fab"},
        DETAIL: {
            "type": "string",
            "enum": list(LONGEST_PX),
            "default": "quick",
            "description": "how fine: the grid is made so coarse that a draft takes about a second, or some",
        },
        "side": {"type": "string", "enum": ["top", "bottom"], "default": "top"},
    }
    properties |= setting_schemas()
    return {"type": "object", "required": ["fab"], "properties": properties}


_FORM = form_described(
    _form_schema(),
    {
        "badge": {
            "summary": "a badge, 60 mm wide",
            "value": {ARTWORK: "(the bytes of badge.png)", "fab": "example-fab", "width": "60mm"},
        }
    },
    repeated=REPEATABLE,
)


@router.post(
    "/drafts",
    response_model=LookAnswer,
    summary="Make a draft",
    responses={**LATER, **problems(400, 404, 409, 410, 413, 415, 422, 429, 507)},
    openapi_extra=_FORM,
)
async def make_draft(request: Request, backing: Backed, owner: SubmittingOwner) -> JSONResponse:
    """What a job with this artwork and these settings would look like, on a coarser grid, at once. Makes no job.

    A draft's masks are no finer than its grid, so its score is near the job's, and not the same. Who wants it no more
    hangs up, and it is stopped.
    """
    await check_before_upload(request, backing, owner, asked=True)
    store = backing.store
    with ExitStack() as open_files:
        spooled = {name: open_files.enter_context(store.spool()) for name in (ARTWORK, *BESIDE)}
        form = await read_form(request, spooled, backing.environment.max_upload_bytes)
        question = await run_in_threadpool(_draft_question, backing, owner, form, spooled)
    return _answer(await ask(backing, owner, question, gone=request.is_disconnected))


def _draft_question(backing: Backing, owner: str, form: Any, spooled: Mapping[str, Any]) -> Question:
    plain, given = sorted_fields(form, ("fab", FROM_JOB, DETAIL, "side"))
    settings = settings_of_one(given)
    fab = chosen_fab(backing, owner, plain)
    check_against_fab(settings, fab)
    detail, side = plain.get(DETAIL, "quick"), plain.get("side", "top")
    if detail not in LONGEST_PX:
        raise SettingsError(f"{DETAIL} is {detail[:64]!r}.", mend=f"Choose one of: {', '.join(LONGEST_PX)}.")
    files = files_of_form(backing, owner, form, plain, fab, spooled)
    for name, sent in form.files.items():
        if name in files:
            files[name] = keep_input(backing, sent, spooled[name])
    return _question(fab.id, fab.revision, files, settings.as_text(), side=side, longest_px=LONGEST_PX[detail])


@router.get(
    "/jobs/{job_id}/look",
    response_model=LookAnswer,
    summary="Look closely at a finished job",
    responses={**LATER, **problems(404, 409, 410, 422, 429)},
)
async def look_at(
    backing: Backed,
    owner: ReadingOwner,
    job_id: str,
    side: Side = "top",
    viewing_distance: Annotated[
        str | None, Query(description="from where; the job's own if left out", examples=["1000mm"])
    ] = None,
) -> JSONResponse:
    """Its pictures on one grid: artwork, board, clusters, error, and both as the eye sees them from a distance.

    A worker makes them anew from the artwork, in about the time that the job took without its fabrication files.
    """
    question = await run_in_threadpool(_look_question, backing, owner, job_id, side, viewing_distance)
    return _answer(await ask_once(backing, owner, question, seconds=ANSWER_SECONDS))


def _look_question(backing: Backing, owner: str, job_id: str, side: str, distance: str | None) -> Question:
    job = backing.ledger.jobs.get(owner, job_id)
    files = _all_files(backing, job)
    if job.state != "done":
        raise ConflictError(f"Job {job_id} is {job.state}.", mend="Look at it when it is done.")
    if distance is not None:
        millimetres = length_mm("viewing_distance", distance)
        read_settings({"viewing_distance": f"{millimetres:.10g}mm"})
    return _question(
        job.fab_id, job.fab_revision, files, dict(job.settings), side=side, longest_px=None, distance=distance
    )


def _all_files(backing: Backing, job: Job) -> dict[str, InputFile]:
    """All that a board was made of: its own files, and what it shares with other artworks."""
    files = files_of_job(job)
    if job.kind == "convert" and job.settings.get("palette") != "shared":
        return files
    needed = backing.ledger.jobs.needed(job.id)
    frame = f"{FRAMES}{job.settings.get('frame')}.png"
    files |= {name: needed[name] for name in (PALETTE_FILE, PLAN_FILE, PREVIOUS_FILE) if name in needed}
    if frame in needed:
        files[ARTWORK] = replace(needed[frame], name=job.name)
    if not {PALETTE_FILE, PLAN_FILE} & set(files):
        raise ExpiredError(
            f"What job {job.id} shares with other artworks was given up.", mend="Ask for the collection again."
        )
    return files


def _question(
    fab_id: str,
    revision: str,
    files: Mapping[str, InputFile],
    settings: Mapping[str, Any],
    *,
    side: str,
    longest_px: int | None,
    distance: str | None = None,
) -> Question:
    if side not in ("top", "bottom") or (side == BOTTOM and BOTTOM not in files):
        raise SettingsError(f"side is {side[:64]!r}.", mend="Choose top, or bottom where there are two artworks.")
    return Question(
        kind="look",
        name=files[ARTWORK].name,
        fab_id=fab_id,
        fab_revision=revision,
        settings={
            "settings": dict(settings),
            "names": {name: file.name for name, file in files.items()},
            "side": side,
            "longest_px": longest_px,
            "viewing_distance": distance,
        },
        inputs=files,
    )


def _answer(job: Job) -> JSONResponse:
    answer = answer_of(job)
    if answer is None:
        return later(job)
    return JSONResponse(
        look_answer(job.id, answer, draft=job.settings["longest_px"] is not None).model_dump(mode="json")
    )
