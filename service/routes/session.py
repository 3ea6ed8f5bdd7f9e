"""Signing in with a key, for browsers: it is kept in a cookie that no script can read."""

from __future__ import annotations

from datetime import datetime
from typing import cast

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool

from service.access import COOKIE, KEY_MEND, SESSION, Access
from service.answers import moment_or_none, problems
from service.backing import Backed, Backing
from service.callers import AnyCaller, Caller
from service.errors import ProtocolError
from worker.access_key import ENVIRONMENT_KEY

router = APIRouter()

PASTE = "Paste the whole key, from maskwright_ on; whoever runs the service makes keys with maskwright keys make."


class SignInBody(BaseModel):
    """The key to sign in with."""

    model_config = ConfigDict(extra="forbid")

    key: str = Field(max_length=1000, examples=["maskwright_7f3kq9abcd_..."])


class SessionAnswer(BaseModel):
    """Who asks, and what it may do. `key` is the id of its key, "" where none is asked for."""

    owner: str = Field(examples=["ada"])
    key: str = Field(examples=["7f3kq9abcd"])
    scopes: list[str] = Field(examples=[["submit", "read"]])
    expires: datetime | None = Field(examples=[None], description="when the key ends")
    link_days: int = Field(examples=[30], description="longest life of a link that shares a result")
    max_upload_bytes: int = Field(examples=[268435456])


@router.post(SESSION, tags=["session"], response_model=SessionAnswer, summary="Sign in", responses=problems(422))
async def sign_in(request: Request, backing: Backed, body: SignInBody) -> JSONResponse:
    """For browsers: the key goes into a cookie that scripts can't read and other sites' pages can't have sent.

    Only the service's own page may ask, by Origin. Programs send the key with each request instead.
    """
    access = cast(Access, request.state.access)
    if not body.key.strip():
        raise ProtocolError("access", "No key was given.", mend=PASTE)
    try:
        caller = await run_in_threadpool(access.caller, backing, f"Bearer {body.key}")
    except ProtocolError as error:
        if error.mend == KEY_MEND:  # which is for programs
            error.mend = PASTE
        raise
    assert caller is not None
    response = JSONResponse((await run_in_threadpool(_session, backing, caller)).model_dump(mode="json"))
    response.set_cookie(
        COOKIE, body.key.strip(), httponly=True, samesite="strict", secure=_is_secure(request), path="/"
    )
    return response


@router.get(SESSION, tags=["who"], response_model=SessionAnswer, summary="Look at who asks", responses=problems())
def get_session(backing: Backed, caller: AnyCaller) -> SessionAnswer:
    """The owner and the scopes of the request's key, whatever it may do."""
    return _session(backing, caller)


@router.delete(SESSION, tags=["session"], status_code=204, summary="Sign out", responses=problems())
def sign_out(request: Request) -> Response:
    """Takes the cookie back. The key stays good; `DELETE /v1/keys/{key_id}` ends it."""
    response = Response(status_code=204)
    response.delete_cookie(COOKIE, httponly=True, samesite="strict", secure=_is_secure(request), path="/")
    return response


def _session(backing: Backing, caller: Caller) -> SessionAnswer:
    stored = backing.ledger.keys.get(caller.key) if caller.key not in ("", ENVIRONMENT_KEY) else None
    return SessionAnswer(
        owner=caller.owner,
        key=caller.key,
        scopes=list(caller.scopes),
        expires=None if stored is None else moment_or_none(stored.expires),
        link_days=backing.environment.link_days,
        max_upload_bytes=backing.environment.max_upload_bytes,
    )


def _is_secure(request: Request) -> bool:
    """Whether the browser came by TLS, here or at a proxy before: then the cookie goes by TLS alone."""
    return "https" in (request.url.scheme, request.headers.get("x-forwarded-proto", ""))
