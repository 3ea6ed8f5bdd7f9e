"""Photographs of a coupon beside a chart: readings of a fab's finishes, which the sender may add to its profile."""

from __future__ import annotations

import contextlib
import math
from typing import IO, Annotated, Any

from fastapi import APIRouter, Header, Request, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from service.answers import problems
from service.asking import LATER, Question, answer_of, ask, keep_input, later
from service.backing import Backed, Backing
from service.callers import SubmittingOwner
from service.fab_answers import ReadingAnswer
from service.limits import check_before_upload
from service.upload import Form, form_described, read_form, too_large
from worker.errors import SettingsError
from worker.patch_map import MAX_BYTES, read_patch_map
from worker.reading import Reading
from worker.reading_files import NamedReading, write_csv

router = APIRouter(prefix="/v1/fabs", tags=["fabs"])

PHOTO, SECOND, MAP = "photo", "second", "map"
CORNERS = ("corners", "chart_corners", "second_corners", "second_chart_corners")
TEXTS = ("batch", "coupon")
CSV = "text/csv"
_QUAD = [[210.0, 195.0], [1402.0, 188.0], [1419.0, 1510.0], [198.0, 1522.0]]


class MarksAnswer(BaseModel):
    """Where coupon and chart were, in pixels of the upright picture, clockwise from their own upper left corners."""

    coupon: list[list[float]] = Field(examples=[_QUAD])
    chart: list[list[float]] = Field(examples=[_QUAD])


class PhotographQualityAnswer(BaseModel):
    """How far one photograph can be trusted: CIEDE2000 of the chart's patches, each left out of the fit in turn."""

    name: str = Field(examples=["crossed.tif"])
    marks: MarksAnswer
    degree: int = Field(examples=[2], description="of the root polynomial")
    mean: float = Field(examples=[1.2])
    p95: float = Field(examples=[2.9])
    worst: float = Field(examples=[3.7])
    fall: float = Field(examples=[1.1], description="most light over least where anything was read")
    veil: float = Field(examples=[0.0], description="light that was taken off everything, of the white's")


class PatchReadingAnswer(BaseModel):
    """The reading of one patch of the coupon, and where it was seen."""

    finish: str = Field(examples=["legend"])
    repeat: int = Field(examples=[1])
    far_copper: str = Field(examples=["none"])
    photograph: str = Field(examples=["crossed.tif"])
    seen_at: list[list[float]] = Field(examples=[_QUAD])
    reading: ReadingAnswer


class PhotographAnswer(BaseModel):
    """Readings of every patch, how far each photograph can be trusted, and what to look at."""

    readings: list[PatchReadingAnswer]
    photographs: list[PhotographQualityAnswer]
    warnings: list[str] = Field(examples=[["gold: read from the one photograph."]])


def _form_schema() -> dict[str, Any]:
    file = {"type": "string", "format": "binary"}
    corners = {"type": "string", "example": "210,195 1402,188 1419,1510 198,1522"}
    properties: dict[str, Any] = {
        PHOTO: {**file, "description": "JPEG, PNG or TIFF of coupon and 24-patch chart"},
        SECOND: {**file, "description": "one in a diffuse tent without polarisers, for bare metal"},
        MAP: {**file, "description": "patch_map.json of the coupon"},
    }
    for name in CORNERS:
        whose = "chart's four corner patches" if "chart" in name else "coupon"
        where = " in the second photograph" if name.startswith(SECOND) else ""
        properties[name] = {**corners, "description": f"corners of the {whose}{where}, in pixels; else looked for"}
    for name in TEXTS:
        properties[name] = {"type": "string", "example": "order 7", "description": f"the {name} of the readings"}
    return {"type": "object", "required": [PHOTO, MAP], "properties": properties}


_FORM = form_described(
    _form_schema(),
    {
        "two photographs": {
            "summary": "through crossed polarisers and in a diffuse tent",
            "value": {PHOTO: "(crossed.tif)", SECOND: "(tent.tif)", MAP: "(patch_map.json)"},
        }
    },
)


@router.post(
    "/{fab_id}/photograph",
    response_model=PhotographAnswer,
    summary="Read a photograph",
    responses={
        200: {"description": "The readings; as a CSV file where Accept asks for text/csv", "content": {CSV: {}}},
        **LATER,
        **problems(400, 404, 413, 415, 422, 429, 507),
    },
    openapi_extra=_FORM,
)
async def read_photograph(
    request: Request,
    backing: Backed,
    owner: SubmittingOwner,
    fab_id: str,
    accept: Annotated[str, Header(examples=[CSV])] = "*/*",
) -> Response:
    """Readings from a photograph of the fab's coupon beside a chart. The profile stays as it is: add them to it."""
    revision = (await run_in_threadpool(backing.ledger.fabs.get, owner, fab_id)).revision
    await check_before_upload(request, backing, owner, asked=True)
    with contextlib.ExitStack() as stack:
        spooled = {part: stack.enter_context(backing.store.spool()) for part in (PHOTO, SECOND, MAP)}
        form = await read_form(request, spooled, backing.environment.max_upload_bytes)
        question = await run_in_threadpool(_question, backing, fab_id, revision, form, spooled)
    job = await ask(backing, owner, question)
    answer = answer_of(job)
    if answer is None:
        return later(job)
    if CSV in accept and "application/json" not in accept:
        named = [NamedReading(finish=one["finish"], reading=_reading(one["reading"])) for one in answer["readings"]]
        return Response(write_csv(named), media_type=CSV)
    return JSONResponse(_shown(answer).model_dump(mode="json"))


def _question(backing: Backing, fab_id: str, revision: str, form: Form, spooled: dict[str, IO[bytes]]) -> Question:
    for part, what in ((PHOTO, "photograph"), (MAP, "patch map")):
        if part not in form.files or form.files[part].bytes == 0:
            raise SettingsError(f"The request has no {what}.", mend=f"Send it as the part named {part}.")
    settings: dict[str, Any] = _fields(form)
    sent = {part: uploaded for part, uploaded in form.files.items() if uploaded.bytes}
    if SECOND not in sent and any(name.startswith(SECOND) for name in settings):
        raise SettingsError("Corners of a second photograph are given, but none is.", mend=f"Send it as {SECOND}.")
    if sent[MAP].bytes > MAX_BYTES:
        raise too_large(MAX_BYTES, MAP)
    spooled[MAP].seek(0)
    read_patch_map(spooled[MAP].read(), file_name=sent[MAP].name)
    return Question(
        kind="photograph",
        name=sent[PHOTO].name,
        fab_id=fab_id,
        fab_revision=revision,
        settings={**settings, "names": {part: uploaded.name for part, uploaded in sent.items()}},
        inputs={part: keep_input(backing, uploaded, spooled[part]) for part, uploaded in sent.items()},
    )


def _fields(form: Form) -> dict[str, Any]:
    fields: dict[str, Any] = {}
    for name, value in form.fields:
        if name not in (*CORNERS, *TEXTS):
            known = ", ".join((PHOTO, SECOND, MAP, *CORNERS, *TEXTS))
            raise SettingsError(f"There is no part {name[:64]!r} here.", mend=f"Known parts: {known}.")
        if name in fields:
            raise SettingsError(f"{name} is given twice.", mend="Give it once.")
        fields[name] = _corners(name, value) if name in CORNERS else _line(name, value)
    return fields


def _corners(name: str, text: str) -> list[list[float]]:
    try:
        points = [[float(part) for part in point.split(",")] for point in text.split()]
    except ValueError:
        points = []
    if len(points) != 4 or any(len(point) != 2 or not all(map(math.isfinite, point)) for point in points):
        raise SettingsError(
            f"{name} is {text[:64]!r}.", mend="Give four x,y in pixels, such as 210,195 1402,188 1419,1510 198,1522."
        )
    return points


def _line(name: str, text: str) -> str:
    text = text.strip()
    if len(text) > 200 or not text.isprintable():
        raise SettingsError(f"{name} is too long or holds control letters.", mend="Send one line of up to 200 letters.")
    return text


def _reading(stored: dict[str, Any]) -> Reading:
    lab = stored["lab"]
    return Reading(**{**stored, "lab": (lab[0], lab[1], lab[2])})


def _shown(answer: Any) -> PhotographAnswer:
    readings = [
        {**one, "reading": {**one["reading"], "grade": _reading(one["reading"]).grade}} for one in answer["readings"]
    ]
    return PhotographAnswer.model_validate({**answer, "readings": readings})
