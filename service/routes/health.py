"""Whether the service lives, and whether it can do its work."""

from __future__ import annotations

from fastapi import APIRouter
from pydantic import BaseModel, Field
from starlette.responses import JSONResponse

from service.answers import problems
from service.backing import Backed
from service.errors import problem_response
from worker.errors import MaskwrightError

router = APIRouter(tags=["health"])


class Health(BaseModel):
    """Each part and its state."""

    state: dict[str, str] = Field(examples=[{"ledger": "ok", "broker": "ok", "store": "ok"}])


@router.get("/livez", response_model=Health, summary="Does it live?")
def livez() -> Health:
    """Answers as long as the process does; needs no key."""
    return Health(state={"service": "ok"})


@router.get("/readyz", response_model=Health, summary="Can it work?", responses=problems())
def readyz(backing: Backed) -> Health | JSONResponse:
    """Asks the database, the broker and the object store; needs no key."""
    failed = []
    for name, part in (("ledger", backing.ledger), ("broker", backing.broker), ("store", backing.store)):
        try:
            part.check()
        except MaskwrightError as error:
            failed.append(f"{name}: {error.what}")
    if failed:
        return problem_response("unavailable", " ".join(failed), "Ask again shortly.", {"Retry-After": "2"})
    return Health(state={"ledger": "ok", "broker": "ok", "store": "ok"})
