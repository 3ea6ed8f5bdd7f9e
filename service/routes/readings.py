"""Readings of a fab's finishes: list, add, drop, import, export; references set by hand and taken back."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict
from datetime import UTC, datetime
from typing import IO, Annotated, Any, Literal

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from service.answers import problems
from service.asking import ANSWER_SECONDS, Question, answer_of, ask, keep_input
from service.backing import Backed, Backing
from service.callers import Caller, FabEditor, ReadingOwner
from service.edits import TAG_HEADER, EditedBy, IfMatch, check_match, edit_fab, keep_edit, read_stored, who
from service.fab_answers import FinishEdited, ImportAnswer, ImportedFinish, finish_edited
from service.fab_edits import NewReading, OverrideBody, given
from service.limits import check_before_upload
from service.routes.files import read_result
from service.upload import Form, form_described, read_form
from worker.errors import ConflictError, MaskwrightError, NotFoundError, SettingsError, UnavailableError
from worker.fab_profile import FabProfile, read_override, read_reading
from worker.job import Job
from worker.ledger.fabs import Edit, StoredFab
from worker.profile_edits import add_readings, clear_override, drop_reading, set_override
from worker.reading_files import MAX_BYTES, NamedReading, ReadingDefaults, write_cgats, write_csv
from worker.reading_files.named_reading import CONDITIONS
from worker.reading_options import named_finishes
from worker.readings_import import PROFILE

router = APIRouter(prefix="/v1/fabs/{fab_id}", tags=["readings"])

FILE = "file"
_OPTION = re.compile(r"--([a-z]+)")
OPTIONS = {
    "sample": "NAME=FINISH: the finish of a sample; may be given more than once",
    "finish": "the finish of all samples that `sample` leaves",
    "scale": "what a perfect white is in the file: fraction (1) or percent (100)",
    "decimal": "the sign of its decimals: point or comma",
    "by": "who imports, for the history",
}
_EDITED: dict[int | str, dict[str, Any]] = {200: {"description": "Edited: a new revision", "headers": TAG_HEADER}}


@router.get(
    "/finishes/{finish}/readings",
    response_model=FinishEdited,
    summary="List the readings of a finish",
    responses={200: {"headers": TAG_HEADER}, **problems(404)},
)
def list_readings(backing: Backed, owner: ReadingOwner, fab_id: str, finish: str) -> JSONResponse:
    """In their order, from 0, with what was set by hand; the entity tag is the fab's revision."""
    stored = backing.ledger.fabs.get(owner, fab_id)
    fab = read_stored(stored)
    _check_finish(fab, finish)
    return _edited(stored.revision, fab, finish)


@router.post(
    "/finishes/{finish}/readings",
    response_model=FinishEdited,
    summary="Add a reading",
    responses={**_EDITED, **problems(404, 412, 422, 428)},
)
def add_reading(
    backing: Backed,
    editor: FabEditor,
    fab_id: str,
    finish: str,
    body: NewReading,
    if_match: IfMatch = None,
    edited_by: EditedBy = None,
) -> JSONResponse:
    """At the end of the finish's list. Other readings, comments and the layout of the profile stay."""
    place = f"fab {fab_id}: finish {finish}"
    reading = read_reading(given(body.reading), place=place)

    def change(toml: bytes) -> bytes:
        return add_readings(toml, [(finish, reading)], file_name=f"fab {fab_id}")

    edit = Edit(what=f"added a reading of {finish}", by=who(body.by, edited_by))
    return _edit(backing, editor, fab_id, finish, if_match, change, edit)


@router.delete(
    "/finishes/{finish}/readings/{index}",
    response_model=FinishEdited,
    summary="Drop a reading",
    responses={**_EDITED, **problems(404, 412, 422, 428)},
)
def delete_reading(
    backing: Backed,
    editor: FabEditor,
    fab_id: str,
    finish: str,
    index: int,
    if_match: IfMatch = None,
    edited_by: EditedBy = None,
) -> JSONResponse:
    """By its place in the list, from 0. The last reading of a finish can't be dropped."""

    def change(toml: bytes) -> bytes:
        return drop_reading(toml, finish, index, file_name=f"fab {fab_id}")

    edit = Edit(what=f"dropped reading {index} of {finish}", by=who(edited_by))
    return _edit(backing, editor, fab_id, finish, if_match, change, edit)


@router.put(
    "/finishes/{finish}/override",
    response_model=FinishEdited,
    summary="Set a reference by hand",
    responses={**_EDITED, **problems(404, 412, 422, 428)},
)
def put_override(
    backing: Backed,
    editor: FabEditor,
    fab_id: str,
    finish: str,
    body: OverrideBody,
    if_match: IfMatch = None,
    edited_by: EditedBy = None,
) -> JSONResponse:
    """It counts in place of the readings, which stay, until it is taken back."""
    by = who(body.by, edited_by)
    table = {**given(body), "by": by, "date": body.date or datetime.now(UTC).date().isoformat()}
    override = read_override(table, place=f"fab {fab_id}: finish {finish}")

    def change(toml: bytes) -> bytes:
        return set_override(toml, finish, override, file_name=f"fab {fab_id}")

    return _edit(
        backing, editor, fab_id, finish, if_match, change, Edit(what=f"set the reference of {finish} by hand", by=by)
    )


@router.delete(
    "/finishes/{finish}/override",
    response_model=FinishEdited,
    summary="Take back a reference set by hand",
    responses={**_EDITED, **problems(404, 412, 422, 428)},
)
def delete_override(
    backing: Backed, editor: FabEditor, fab_id: str, finish: str, if_match: IfMatch = None, edited_by: EditedBy = None
) -> JSONResponse:
    """The readings count again."""

    def change(toml: bytes) -> bytes:
        return clear_override(toml, finish, file_name=f"fab {fab_id}")

    edit = Edit(what=f"took back the override of {finish}", by=who(edited_by))
    return _edit(backing, editor, fab_id, finish, if_match, change, edit)


def _edit(
    backing: Backing,
    editor: Caller,
    fab_id: str,
    finish: str,
    if_match: str | None,
    change: Callable[[bytes], bytes],
    edit: Edit,
) -> JSONResponse:
    stored, fab = edit_fab(backing, editor, fab_id, if_match, change, edit)
    return _edited(stored.revision, fab, finish)


def _edited(revision: str, fab: FabProfile, finish: str) -> JSONResponse:
    answer = finish_edited(revision, fab, finish)
    return JSONResponse(answer.model_dump(mode="json"), headers={"ETag": f'"{revision}"'})


def _check_finish(fab: FabProfile, finish: str) -> None:
    ids = [one.id for one in fab.finishes]
    if finish not in ids:
        raise NotFoundError(f"Fab {fab.id} has no finish {finish!r}.", mend=f"Choose one of: {', '.join(ids)}.")


def _form_schema() -> dict[str, Any]:
    properties: dict[str, Any] = {
        FILE: {"type": "string", "format": "binary", "description": "CSV, CGATS.17 / ISO 28178 text, or CxF3"}
    }
    for name, meaning in {**OPTIONS, **CONDITIONS}.items():
        one: dict[str, Any] = {"type": "string", "description": meaning}
        properties[name] = {"type": "array", "items": one} if name == "sample" else one
    return {"type": "object", "required": [FILE], "properties": properties}


_IMPORT = form_described(
    _form_schema(),
    {
        "instrument": {
            "summary": "an instrument's file, in percent, its sample named otherwise",
            "value": {FILE: "(the bytes of export.txt)", "sample": ["A1=gold"], "scale": "percent"},
        }
    },
    repeated=("sample",),
)


@router.post(
    "/import",
    response_model=ImportAnswer,
    summary="Import readings",
    responses={**_EDITED, **problems(400, 404, 412, 413, 415, 422, 428, 429, 503, 507)},
    openapi_extra=_IMPORT,
)
async def import_readings(
    request: Request,
    backing: Backed,
    editor: FabEditor,
    fab_id: str,
    if_match: IfMatch = None,
    edited_by: EditedBy = None,
) -> JSONResponse:
    """All readings of a file or none. Those that the profile holds already are left out. A worker reads the file."""
    before = await run_in_threadpool(backing.ledger.fabs.get, editor.owner, fab_id)
    check_match(before, if_match)
    await check_before_upload(request, backing, editor.owner, asked=True)
    with backing.store.spool() as spooled:
        form = await read_form(request, {FILE: spooled}, MAX_BYTES)
        try:
            question, by = await run_in_threadpool(_question, backing, before, form, spooled)
            job = await ask(backing, editor.owner, question)
            toml, finishes = await run_in_threadpool(_answer_now, backing, job)
        except MaskwrightError as error:
            # Its words are those of the command line, whose options are this form's parts.
            error.what, error.mend = (_OPTION.sub(r"\1", words) for words in (error.what, error.mend))
            raise
    edit = Edit(what=f"imported readings from {question.name}", by=who(by, edited_by))
    stored = await run_in_threadpool(keep_edit, backing, editor, before, toml, edit)
    shown = ImportAnswer(fab=fab_id, revision=stored.revision, finishes=finishes)
    return JSONResponse(shown.model_dump(mode="json"), headers={"ETag": f'"{stored.revision}"'})


def _question(backing: Backing, fab: StoredFab, form: Form, spooled: IO[bytes]) -> tuple[Question, str]:
    """What a worker is asked, and who imports."""
    if FILE not in form.files:
        raise SettingsError("The request has no file.", mend=f"Send the readings as the part named {FILE}.")
    sent = form.files[FILE]
    options, samples = _options(form)
    by, finish = options.pop("by", ""), options.pop("finish", "")
    who(by)
    settings = {
        "name": sent.name,
        "samples": dict(named_finishes(samples)),
        "finish": finish,
        "defaults": asdict(_defaults(options)),
    }
    inputs = {FILE: keep_input(backing, sent, spooled)}
    question = Question(
        kind="readings", name=sent.name, fab_id=fab.id, fab_revision=fab.revision, settings=settings, inputs=inputs
    )
    return question, by


def _answer_now(backing: Backing, job: Job) -> tuple[bytes, list[ImportedFinish]]:
    """What a job that has ended made; one that has not is stopped, for nothing may be imported after the request."""
    answer = answer_of(job)
    if answer is None:
        with suppress(ConflictError, NotFoundError):
            backing.ledger.jobs.cancel(job.owner, job.id)
        raise UnavailableError(
            f"No worker read the file within {ANSWER_SECONDS:g} s, so nothing was imported.",
            mend="Send it again when there is less to do; split a file of thousands of readings.",
        )
    return read_result(backing, job.owner, job.id, PROFILE), [ImportedFinish(**each) for each in answer["finishes"]]


def _options(form: Form) -> tuple[dict[str, str], list[str]]:
    """The options by name, each given once, and the samples."""
    known = {**OPTIONS, **CONDITIONS}
    options: dict[str, str] = {}
    samples = []
    for name, value in form.fields:
        if name not in known:
            raise SettingsError(f"There is no option {name[:64]!r}.", mend=f"Known parts: {', '.join((FILE, *known))}.")
        if name == "sample":
            samples.append(value)
        elif name in options:
            raise SettingsError(f"{name} is given twice.", mend="Give it once.")
        else:
            options[name] = value.strip()
    return options, samples


def _defaults(options: dict[str, str]) -> ReadingDefaults:
    scale, decimal = options.pop("scale", ""), options.pop("decimal", "point")
    if scale not in ("", "fraction", "percent"):
        raise SettingsError(f"scale is {scale[:64]!r}.", mend="Write fraction or percent.")
    if decimal not in ("point", "comma"):
        raise SettingsError(f"decimal is {decimal[:64]!r}.", mend="Write point or comma.")
    conditions: dict[str, Any] = dict(options)
    return ReadingDefaults(**conditions, scale=scale, decimal_comma=decimal == "comma")  # type: ignore[arg-type]


@router.get(
    "/export",
    summary="Export readings",
    response_class=Response,
    responses={
        200: {
            "description": "All readings, as a file that can be imported again",
            "content": {
                "text/csv": {"schema": {"type": "string"}, "example": "finish,geometry,origin,L*,a*,b*\ngold,45:0,..."},
                "text/plain": {"schema": {"type": "string"}, "example": "CGATS.17\nNUMBER_OF_FIELDS 8\n..."},
            },
            "headers": TAG_HEADER,
        },
        **problems(404, 422),
    },
)
def export_readings(
    backing: Backed,
    owner: ReadingOwner,
    fab_id: str,
    format: Annotated[Literal["csv", "cgats"], Query(description="kind of file")] = "csv",
    finish: Annotated[list[str] | None, Query(description="only this finish's; may be repeated")] = None,
    revision: Annotated[str | None, Query(description="an older revision's")] = None,
) -> Response:
    """Of every finish, or of those that are named."""
    stored = backing.ledger.fabs.get(owner, fab_id, revision)
    fab = read_stored(stored)
    for name in finish or ():
        _check_finish(fab, name)
    readings = [
        NamedReading(finish=one.id, reading=reading)
        for one in fab.finishes
        if not finish or one.id in finish
        for reading in one.readings
    ]
    write, media_type, suffix = (
        (write_csv, "text/csv", "csv") if format == "csv" else (write_cgats, "text/plain", "txt")
    )
    headers = {
        "ETag": f'"{stored.revision}-{format}"',
        "Content-Disposition": f'attachment; filename="{fab_id}-readings.{suffix}"',
    }
    return Response(write(readings), media_type=f"{media_type}; charset=utf-8", headers=headers)
