"""What may be sent and what is answered of keys, links and the audit trail, as JSON."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field

from service.answers import EXAMPLE_ID, moment, moment_or_none
from worker.access_key import SCOPES
from worker.ledger.audit import WHAT, AuditEvent
from worker.ledger.keys import StoredKey

_EXAMPLE_KEY = "7f3kq9abcd"


class NewKeyBody(BaseModel):
    """A key to make."""

    model_config = ConfigDict(extra="forbid")

    owner: str = Field(examples=["ada"], description="whose jobs and fabs it opens; an owner begins with a first key")
    scopes: list[str] = Field(examples=[["submit", "read"]], description=f"some of {', '.join(SCOPES)}")
    name: str = Field(default="", examples=["night batch"], description="what it is for")
    expires: datetime | None = Field(default=None, examples=["2027-01-31T00:00:00Z"], description="never, if left out")


class KeyAnswer(BaseModel):
    """What is known of a key; its secret is not."""

    id: str = Field(examples=[_EXAMPLE_KEY])
    owner: str = Field(examples=["ada"])
    scopes: list[str] = Field(examples=[["submit", "read"]])
    name: str = Field(examples=["night batch"])
    state: str = Field(examples=["usable"], description="usable, revoked or expired")
    made: datetime = Field(examples=["2026-01-31T12:00:00.000000Z"])
    expires: datetime | None = Field(examples=["2027-01-31T00:00:00.000000Z"])
    last_used: datetime | None = Field(examples=["2026-02-01T08:00:00.000000Z"], description="to the minute")
    revoked: datetime | None = Field(examples=[None])


class NewKeyAnswer(KeyAnswer):
    """A key that was just made. `key` is shown this once."""

    key: str = Field(examples=[f"maskwright_{_EXAMPLE_KEY}_{'x' * 43}"], description="what to send as Bearer")


class KeysAnswer(BaseModel):
    """Every key, newest first."""

    keys: list[KeyAnswer]


class LinkBody(BaseModel):
    """What to share, and for how long."""

    model_config = ConfigDict(extra="forbid")

    path: str | None = Field(default=None, examples=["preview.png"], description="a file; the package if left out")
    seconds: int = Field(default=86400, ge=1, examples=[86400], description="how long the link is to live")


class LinkAnswer(BaseModel):
    """A link that anybody may follow until it ends; put the service's address before it."""

    href: str = Field(examples=[f"/v1/shared/{EXAMPLE_ID}/files/preview.png?expires=1800000000&signature=5c1f"])
    path: str | None = Field(examples=["preview.png"])
    expires: datetime = Field(examples=["2026-02-01T12:00:00Z"])


class AuditEventAnswer(BaseModel):
    """One event: what was done, to which fab, key or job (`subject`), whose it is, and with which key."""

    at: datetime = Field(examples=["2026-01-31T12:00:00.000000Z"])
    what: str = Field(examples=["fab-edited"], description=f"one of {', '.join(WHAT)}")
    owner: str = Field(examples=["ada"])
    subject: str = Field(examples=["example-fab"])
    detail: str = Field(examples=["added a reading of gold; revision 5c1f0e9b7a2d4836"])
    key: str = Field(examples=[_EXAMPLE_KEY], description="empty: done on the machine itself, without a key")
    by: str = Field(examples=["Ada"], description="as somebody gave it")


class AuditAnswer(BaseModel):
    """One page of the audit trail, newest first. `next` is where the older ones are, or null."""

    events: list[AuditEventAnswer]
    next: str | None = Field(examples=["/v1/audit?limit=50&cursor=1234"])


def key_answer(key: StoredKey) -> KeyAnswer:
    """A key as the service shows it."""
    return KeyAnswer(
        id=key.id,
        owner=key.owner,
        scopes=list(key.scopes),
        name=key.name,
        state=key.state,
        made=moment(key.made),
        expires=moment_or_none(key.expires),
        last_used=moment_or_none(key.used),
        revoked=moment_or_none(key.revoked),
    )


def audit_event_answer(event: AuditEvent) -> AuditEventAnswer:
    """An event as the service shows it."""
    return AuditEventAnswer(
        at=moment(event.at),
        what=event.what,
        owner=event.owner,
        subject=event.subject,
        detail=event.detail,
        key=event.key,
        by=event.by,
    )
