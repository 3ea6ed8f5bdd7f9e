"""Plans: which fab carries an artwork best, before any job is asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import IO, Any

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from service.answers import problems
from service.asking import LATER, Question, answer_of, ask, keep_bytes, keep_input, later
from service.backing import Backed, Backing
from service.callers import SubmittingOwner
from service.limits import check_before_upload
from service.plan_answers import PlanAnswer, plan_answer
from service.submission import setting_schemas
from service.upload import ARTWORK, Form, form_described, read_form
from worker.errors import NotFoundError, SettingsError
from worker.job import FAB
from worker.job_settings import FOR_PLANS, read_settings
from worker.ledger.fabs import StoredFab

router = APIRouter(prefix="/v1", tags=["plans"])

MOST_FABS = 200


def _form_schema() -> dict[str, Any]:
    settings = setting_schemas()
    properties: dict[str, Any] = {
        ARTWORK: {"type": "string", "format": "binary", "description": "the artwork"},
        "fab": {
            "type": "array",
            "items": {"type": "string"},
            "description": f"ids of fabs, at most {MOST_FABS}; all of yours where none is given",
        },
        **{name: settings[name] for name in FOR_PLANS},
    }
    return {"type": "object", "required": [ARTWORK], "properties": properties}


_FORM = form_described(
    _form_schema(),
    {
        "badge": {
            "summary": "every fab, for a badge 60 mm wide",
            "value": {ARTWORK: "(the bytes of badge.png)", "width": "60mm"},
        }
    },
    repeated=("fab",),
)


@router.post(
    "/plans",
    response_model=PlanAnswer,
    summary="Plan an artwork",
    responses={**LATER, **problems(400, 404, 413, 415, 422, 429, 507)},
    openapi_extra=_FORM,
)
async def make_plan(request: Request, backing: Backed, owner: SubmittingOwner) -> JSONResponse:
    """Fabs ranked by the error that the eye is expected to see, each with a picture; and what to change in the artwork.

    A place is claimed only where the references are sure enough to tell two boards apart. Makes no job.
    """
    await check_before_upload(request, backing, owner, asked=True)
    with backing.store.spool() as artwork:
        form = await read_form(request, {ARTWORK: artwork}, backing.environment.max_upload_bytes)
        question = await run_in_threadpool(_question, backing, owner, form, artwork)
    job = await ask(backing, owner, question, gone=request.is_disconnected)
    answer = answer_of(job)
    if answer is None:
        return later(job)
    return JSONResponse(plan_answer(job.id, answer).model_dump(mode="json"))


def _question(backing: Backing, owner: str, form: Form, artwork: IO[bytes]) -> Question:
    ids: list[str] = []
    given: dict[str, list[str]] = {}
    for name, value in form.fields:
        if name == "fab":
            ids += [part.strip() for part in value.split(",")]
        elif name in FOR_PLANS:
            given.setdefault(name, []).append(value)
            if len(given[name]) > 1:
                raise SettingsError(f"Setting {name} is given twice.", mend="Give it once.", setting=name)
        else:
            known = ", ".join((ARTWORK, "fab", *FOR_PLANS))
            raise SettingsError(f"A plan has no setting {name[:64]!r}.", mend=f"Known parts: {known}.")
    settings = read_settings(given)
    sent = form.files.get(ARTWORK)
    if sent is None or sent.bytes == 0:
        raise SettingsError(
            "The request holds no artwork.", mend=f"Send a picture as the part named {ARTWORK}.", setting=ARTWORK
        )
    fabs = _fabs(backing, owner, ids)
    inputs = {ARTWORK: keep_input(backing, sent, artwork)}
    inputs |= {f"{FAB}{fab.id}": keep_bytes(backing, fab.toml, name=f"{fab.id}.toml") for fab in fabs}
    return Question(
        kind="plan",
        name=sent.name,
        fab_id=fabs[0].id,
        fab_revision=fabs[0].revision,
        settings={"settings": _texts(settings.as_text()), "fabs": [fab.id for fab in fabs]},
        inputs=inputs,
    )


def _texts(text: Mapping[str, Any]) -> dict[str, Any]:
    return {name: text[name] for name in FOR_PLANS if text[name] is not None}


def _fabs(backing: Backing, owner: str, ids: Sequence[str]) -> list[StoredFab]:
    if not ids:
        fabs = backing.ledger.fabs.all(owner)
        if not fabs:
            raise SettingsError("There is no fab to plan for.", mend="Add one: PUT /v1/fabs/{fab_id}.")
    else:
        try:
            fabs = [backing.ledger.fabs.get(owner, fab_id) for fab_id in dict.fromkeys(ids)]
        except NotFoundError as error:
            raise SettingsError(error.what, mend=error.mend) from error
    if len(fabs) > MOST_FABS:
        raise SettingsError(
            f"There are {len(fabs)} fabs to plan for.", mend=f"Name at most {MOST_FABS}, each as a part named fab."
        )
    return fabs
