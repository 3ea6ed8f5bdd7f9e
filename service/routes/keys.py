"""Access keys, for admins: make, list, revoke."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse

from service.access_answers import KeyAnswer, KeysAnswer, NewKeyAnswer, NewKeyBody, key_answer
from service.answers import problems
from service.backing import Backed
from service.callers import Admin
from worker.access_key import check_expiry, new_key, read_name, read_owner, read_scopes

router = APIRouter(prefix="/v1/keys", tags=["keys"])


@router.post("", status_code=201, response_model=NewKeyAnswer, summary="Make a key", responses=problems(422))
def make_key(backing: Backed, admin: Admin, body: NewKeyBody) -> JSONResponse:
    """The answer holds the key, this once: a digest is kept. From the first key on, every request needs one."""
    key = new_key()
    expires = body.expires
    if expires is not None:
        expires = check_expiry(expires if expires.tzinfo else expires.replace(tzinfo=UTC), datetime.now(UTC))
    stored = backing.ledger.keys.add(
        key.id,
        owner=read_owner(body.owner),
        scopes=read_scopes(body.scopes),
        name=read_name(body.name),
        digest=key.digest(backing.secret),
        secret_id=backing.secret.id,
        expires=None if expires is None else expires.timestamp(),
        doer=admin.doer(),
    )
    answer = NewKeyAnswer(**key_answer(stored).model_dump(), key=key.text)
    return JSONResponse(answer.model_dump(mode="json"), status_code=201, headers={"Location": f"/v1/keys/{key.id}"})


@router.get("", response_model=KeysAnswer, summary="List keys", responses=problems(422))
def list_keys(
    backing: Backed, admin: Admin, owner: Annotated[str | None, Query(description="only this owner's")] = None
) -> KeysAnswer:
    """Of every owner, the newest first, with their state and last use."""
    return KeysAnswer(keys=[key_answer(key) for key in backing.ledger.keys.all(owner)])


@router.get("/{key_id}", response_model=KeyAnswer, summary="Look at a key", responses=problems(404))
def get_key(backing: Backed, admin: Admin, key_id: str) -> KeyAnswer:
    """Its owner, scopes, state and last use."""
    return key_answer(backing.ledger.keys.get(key_id))


@router.delete("/{key_id}", response_model=KeyAnswer, summary="Revoke a key", responses=problems(404))
def revoke_key(backing: Backed, admin: Admin, key_id: str) -> KeyAnswer:
    """From the next request on it opens nothing. Its owner's jobs, fabs and links stay. Revoking twice is no error."""
    return key_answer(backing.ledger.keys.revoke(key_id, doer=admin.doer()))
