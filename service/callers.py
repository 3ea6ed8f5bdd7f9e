"""Who a request comes from, and what it may do: what routes ask for in place of knowing keys."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, cast

from fastapi import Depends, Request, Security
from fastapi.security import HTTPBearer, SecurityScopes

from service.errors import ProtocolError
from worker.access_key import SCOPES
from worker.job import LOCAL_OWNER
from worker.ledger.keys import Doer


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """The owner that a request acts for, the id of its key ("" for none), and the scopes that it has."""

    owner: str
    key: str = ""
    scopes: tuple[str, ...] = tuple(SCOPES)

    def doer(self, by: str = "") -> Doer:
        """The caller as the audit trail names it."""
        return Doer(key=self.key, by=by)


LOCAL = Caller(owner=LOCAL_OWNER)
"""Whoever asks without a key, where none is asked for: this machine's own programs and pages."""

bearer = HTTPBearer(
    scheme_name="key",
    auto_error=False,
    description="A key made by `maskwright keys make` or POST /v1/keys, with its scopes, or MASKWRIGHT_KEY with all. "
    "On a loopback address none is asked for as long as there is none.",
)


async def _caller(request: Request, asked: SecurityScopes, _: Annotated[object, Depends(bearer)]) -> Caller:
    caller = cast(Caller, request.state.caller)
    lacking = [scope for scope in asked.scopes if scope not in caller.scopes]
    if lacking:
        raise ProtocolError(
            "scope",
            f"Key {caller.key} may {', '.join(caller.scopes)}; this takes {lacking[0]}, to {SCOPES[lacking[0]]}.",
            mend=f"Ask with a key that has the scope {lacking[0]}.",
            headers={"WWW-Authenticate": f'Bearer error="insufficient_scope", scope="{lacking[0]}"'},
        )
    return caller


async def _reading_owner(caller: Annotated[Caller, Security(_caller, scopes=["read"])]) -> str:
    return caller.owner


async def _submitting_owner(caller: Annotated[Caller, Security(_caller, scopes=["submit"])]) -> str:
    return caller.owner


ReadingOwner = Annotated[str, Depends(_reading_owner)]
"""The owner of the request's key, which may read."""

SubmittingOwner = Annotated[str, Depends(_submitting_owner)]
"""The owner of the request's key, which may submit."""

AnyCaller = Annotated[Caller, Security(_caller, scopes=[])]
"""Whoever is let in, with whatever scopes."""

Submitter = Annotated[Caller, Security(_caller, scopes=["submit"])]
FabEditor = Annotated[Caller, Security(_caller, scopes=["edit-fabs"])]
Admin = Annotated[Caller, Security(_caller, scopes=["admin"])]
