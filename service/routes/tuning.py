"""References that a fab's readings give, and a finished job scored with others: answered by a worker, at once."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from service.answers import EXAMPLE_REVISION, problems
from service.asking import LATER, Question, answer_of, ask, later
from service.backing import Backed, Backing
from service.callers import ReadingOwner
from service.edits import read_stored
from service.fab_edits import FinishEdit, PreviewBody, given
from service.tuning_answers import PreviewAnswer, ReferencesAnswer
from worker.errors import ConflictError, NotFoundError, SettingsError
from worker.fab_profile import read_fab_profile, read_override, read_reading
from worker.job import BOTTOM, CONVERTED, InputFile
from worker.reading import STANDARD_CONDITIONS, read_viewing_conditions

router = APIRouter(prefix="/v1/fabs/{fab_id}", tags=["tuning"])

TUNING = "tuning.npz"


@router.get(
    "/references",
    response_model=ReferencesAnswer,
    summary="Look at the references of a fab",
    responses={**LATER, **problems(404, 422, 429)},
)
async def get_references(
    backing: Backed,
    owner: ReadingOwner,
    fab_id: str,
    viewing_conditions: Annotated[
        str, Query(description="ILLUMINANT/OBSERVER, under which they are looked at", examples=["D50/2"])
    ] = STANDARD_CONDITIONS.text(),
    revision: Annotated[str | None, Query(description="an older revision", examples=[EXAMPLE_REVISION])] = None,
) -> JSONResponse:
    """Derived from the readings: colour, grade, spread, uncertainty, which readings count, and what looks wrong."""
    conditions = read_viewing_conditions(viewing_conditions).text()
    stored = await run_in_threadpool(backing.ledger.fabs.get, owner, fab_id, revision)
    question = Question(
        kind="references",
        name=conditions,
        fab_id=fab_id,
        fab_revision=stored.revision,
        settings={"viewing_conditions": conditions},
    )
    key = f"{owner}/{question.fingerprint}"
    answer = backing.answers.get(key)
    if answer is None:
        job = await ask(backing, owner, question)
        answer = answer_of(job)
        if answer is None:
            return later(job)
        backing.answers.keep(key, answer)
    return JSONResponse({"fab": fab_id, "revision": stored.revision, **answer})


@router.post(
    "/preview",
    response_model=PreviewAnswer,
    summary="Try other references on a finished job",
    responses={**LATER, **problems(404, 409, 410, 422, 429)},
)
async def preview(backing: Backed, owner: ReadingOwner, fab_id: str, body: PreviewBody) -> JSONResponse:
    """Scores the job's board as if its finishes had these references; every pixel keeps its finish. Saves nothing.

    CIEDE2000 comes from the histogram that the job kept, S-CIELAB from a picture reduced to at most 512 pixels.
    """
    question = await run_in_threadpool(_question, backing, owner, fab_id, body)
    job = await ask(backing, owner, question)
    answer = answer_of(job)
    if answer is None:
        return later(job)
    return JSONResponse({"job": body.job, "fab": fab_id, "revision": question.fab_revision, **answer})


def _question(backing: Backing, owner: str, fab_id: str, body: PreviewBody) -> Question:
    stored = backing.ledger.fabs.get(owner, fab_id, body.revision)
    if body.toml is not None and body.edits:
        raise SettingsError("The request has toml and edits.", mend="Send one of them.")
    if body.toml is not None:
        read_fab_profile(body.toml.encode(), file_name=f"{fab_id} as sent")
        settings: dict[str, Any] = {"toml": body.toml}
    else:
        known = [finish.id for finish in read_stored(stored).finishes]
        settings = {"edits": [_edit(fab_id, known, edit) for edit in body.edits]}
    return Question(
        kind="preview",
        name=f"preview of {body.job}"[:255],
        fab_id=fab_id,
        fab_revision=stored.revision,
        settings={"job": body.job, **settings},
        inputs={"tuning": _tuning(backing, owner, fab_id, body.job, body.side)},
    )


def _edit(fab_id: str, known: list[str], edit: FinishEdit) -> dict[str, Any]:
    """An edit that is known to be right, as the worker takes it."""
    place = f"fab {fab_id}: finish {edit.finish}"
    if edit.finish not in known:
        raise NotFoundError(f"Fab {fab_id} has no finish {edit.finish!r}.", mend=f"Choose one of: {', '.join(known)}.")
    colour = given(edit)
    reading = colour.pop("reading", None)
    del colour["finish"]
    if (reading is None) == (not colour):
        raise SettingsError(
            f"The edit of {edit.finish} has {'both a reading and a colour' if reading else 'nothing to try'}.",
            mend="Give a reading, or lab with its illuminant and observer.",
        )
    if reading is not None:
        read_reading(reading, place=place)
        return {"finish": edit.finish, "reading": reading}
    read_override(colour, place=place)
    return {"finish": edit.finish, "override": colour}


def _tuning(backing: Backing, owner: str, fab_id: str, job_id: str, side: str) -> InputFile:
    """Where the tuning.npz of the job, or of this side of it, lies. NotFoundError, ConflictError, SettingsError."""
    job = backing.ledger.jobs.get(owner, job_id)
    if job.fab_id != fab_id:
        raise SettingsError(f"Job {job_id} was made for fab {job.fab_id}.", mend=f"Ask /v1/fabs/{job.fab_id}/preview.")
    if job.kind not in CONVERTED or job.state != "done":
        raise ConflictError(
            f"Job {job_id} is {job.state}." if job.kind in CONVERTED else f"Job {job_id} is a {job.kind}.",
            mend="Only a conversion that is done can be previewed.",
        )
    package = backing.ledger.jobs.package(owner, job_id)
    if BOTTOM not in job.inputs and side == BOTTOM:
        raise SettingsError(f"side is bottom, and job {job_id} has one artwork.", mend="Leave side out.")
    file = package.file(f"{side}/{TUNING}" if BOTTOM in job.inputs else TUNING)
    if file is None:
        raise ConflictError(f"Job {job_id} has no {TUNING}.", mend="An earlier version made it: run it again.")
    return InputFile(key=package.key, start=file.start, bytes=file.bytes, sha256=file.sha256)
