"""Circuits: what the files of one are, before art is laid beside it."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from typing import IO, Any

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from service.answers import EXAMPLE_ID, problems
from service.asking import LATER, Question, answer_of, ask, keep_input, later
from service.backing import Backed, Backing
from service.callers import SubmittingOwner
from service.limits import check_before_upload
from service.submission import check_circuit, chosen_fab, sorted_fields
from service.upload import Form, form_described, read_form
from worker.errors import CircuitError
from worker.job import CIRCUIT, CIRCUIT_FILE

router = APIRouter(prefix="/v1", tags=["circuits"])

_FILES = f"/v1/jobs/{EXAMPLE_ID}/files"
_PARTS = (CIRCUIT, CIRCUIT_FILE)


class CircuitLayer(BaseModel):
    """A layer or drill file. `function` is null where nothing says what it is: look at `picture`, and say so."""

    name: str = Field(examples=["board-1.gbr"])
    function: str | None = Field(examples=["Copper,L1,Top"], description="as a .FileFunction of the Gerber standard")
    said_by: str | None = Field(examples=["the file"])
    picture: str | None = Field(examples=[f"{_FILES}/board-1.gbr.png"])


class CircuitAnswer(BaseModel):
    """What a circuit's files are. The pictures are kept for an hour: ask again then."""

    job: str = Field(examples=[EXAMPLE_ID], description="whose files the pictures are; of the kind `circuit`")
    name: str = Field(examples=["my-circuit.zip"])
    layers: list[CircuitLayer]
    unknown: list[str] = Field(examples=[["board-1.gbr"]], description="files that don't say what they are")
    other_files: list[str] = Field(examples=[["read-me.txt"]])
    box_mm: dict[str, float] | None = Field(examples=[{"left": 20.0, "low": 30.0, "right": 70.0, "high": 70.0}])
    nets: list[dict[str, Any]] = Field(examples=[[{"name": "GND", "area_mm2": 812.5}]], description="largest first")
    fault: dict[str, str] | None = Field(
        examples=[None], description="why art can't be laid beside it yet, and what to do"
    )


_FORM = form_described(
    {
        "type": "object",
        "required": [CIRCUIT, "fab"],
        "properties": {
            CIRCUIT: {"type": "string", "format": "binary", "description": "one archive of Gerber and drill files"},
            CIRCUIT_FILE: {"type": "string", "format": "binary", "description": "what is said of it; may be left out"},
            "fab": {"type": "string", "description": "id of a fab"},
        },
    },
    {
        "circuit": {
            "summary": "an archive",
            "value": {CIRCUIT: "(the bytes of my-circuit.zip)", "fab": "example-fab"},
        }
    },
)


@router.post(
    "/circuits",
    response_model=CircuitAnswer,
    summary="Read a circuit",
    responses={**LATER, **problems(400, 404, 413, 415, 422, 429, 507)},
    openapi_extra=_FORM,
)
async def read_circuit(request: Request, backing: Backed, owner: SubmittingOwner) -> JSONResponse:
    """Which file is which layer, with a picture of each, and the nets that there are. Makes no job."""
    await check_before_upload(request, backing, owner, asked=True)
    with ExitStack() as open_files:
        spooled = {name: open_files.enter_context(backing.store.spool()) for name in _PARTS}
        form = await read_form(request, spooled, backing.environment.max_upload_bytes)
        question = await run_in_threadpool(_question, backing, owner, form, spooled)
    job = await ask(backing, owner, question)
    answer = answer_of(job)
    if answer is None:
        return later(job)
    pictured = [
        {**layer, "picture": layer["picture"] and f"/v1/jobs/{job.id}/files/{layer['picture']}"}
        for layer in answer["layers"]
    ]
    shown = CircuitAnswer(job=job.id, **{**answer, "layers": pictured})
    return JSONResponse(shown.model_dump(mode="json"))


def _question(backing: Backing, owner: str, form: Form, spooled: Mapping[str, IO[bytes]]) -> Question:
    plain, _ = sorted_fields(form, ("fab",), _PARTS)
    if CIRCUIT not in form.files or not form.files[CIRCUIT].bytes:
        raise CircuitError("The request has no circuit.", mend=f"Send its archive as the part named {CIRCUIT}.")
    check_circuit(spooled, form.files)
    fab = chosen_fab(backing, owner, plain)
    return Question(
        kind="circuit",
        name=form.files[CIRCUIT].name,
        fab_id=fab.id,
        fab_revision=fab.revision,
        settings={},
        inputs={name: keep_input(backing, sent, spooled[name]) for name, sent in form.files.items()},
    )
