"""What the service answers of collections, as JSON."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pydantic import BaseModel, Field

from service.answers import (
    EXAMPLE_ID,
    FabReference,
    JobAnswer,
    Problem,
    failure_problem,
    job_answer,
    moment,
    moment_or_none,
)
from worker.job import LIVE
from worker.ledger.collections import REFUSED, Collection, Member, Standing

_BASE = f"/v1/collections/{EXAMPLE_ID}"
COUNTED = ("queued", "running", "done", "failed", "cancelled", REFUSED)


class CollectionLinks(BaseModel):
    """Where to go from a collection."""

    self: str = Field(examples=[_BASE])
    artworks: str = Field(examples=[f"{_BASE}/artworks"])
    events: str = Field(examples=[f"{_BASE}/events"])
    report: str = Field(examples=[f"{_BASE}/report.html"])
    contact_sheet: str = Field(examples=[f"{_BASE}/contact-sheet.png"])
    package: str = Field(examples=[f"{_BASE}/package.zip"])


class CollectionAnswer(BaseModel):
    """A collection: `artworks` of it are counted by what became of them. `refused` ones never had a job."""

    id: str = Field(examples=[EXAMPLE_ID])
    name: str = Field(examples=["birds"])
    state: Literal["working", "ended"] = Field(examples=["working"])
    fab: FabReference
    created: datetime = Field(examples=["2026-01-31T12:00:00.000000Z"])
    ended: datetime | None = Field(examples=[None], description="when the last job of its own ended")
    artworks: int = Field(examples=[240])
    counts: dict[str, int] = Field(examples=[dict.fromkeys(COUNTED, 0) | {"done": 180, "queued": 60}])
    reused: int = Field(examples=[40], description="artworks whose job was asked for before, and was not in vain")
    seconds_to_go: float | None = Field(
        examples=[95.0], description="at the pace of this collection so far; null before its first job has ended"
    )
    skipped: list[str] = Field(examples=[["notes.txt"]], description="files that were taken for no artworks")
    links: CollectionLinks


class CollectionsAnswer(BaseModel):
    """One page of collections, newest first. `next` is where the older ones are, or null."""

    collections: list[CollectionAnswer]
    next: str | None = Field(examples=["/v1/collections?limit=50&cursor=12"])


class MemberAnswer(BaseModel):
    """An artwork of a collection: its job, or what it was refused for."""

    path: str = Field(examples=["birds/owl.png"])
    position: int = Field(examples=[0])
    reused: bool = Field(examples=[False])
    job: JobAnswer | None
    error: Problem | None = Field(examples=[None])


class MembersAnswer(BaseModel):
    """One page of the artworks of a collection. `next` is where more are, or null."""

    artworks: list[MemberAnswer]
    next: str | None = Field(examples=[f"{_BASE}/artworks?start=100"])


def collection_answer(collection: Collection, standing: Standing) -> CollectionAnswer:
    """A collection as the service shows it."""
    base = f"/v1/collections/{collection.id}"
    counts = {name: standing.counts.get(name, 0) for name in COUNTED}
    live = sum(counts[name] for name in LIVE)
    return CollectionAnswer(
        id=collection.id,
        name=collection.name,
        state="working" if live else "ended",
        fab=FabReference(id=collection.fab_id, revision=collection.fab_revision),
        created=moment(collection.created),
        ended=None if live else moment_or_none(standing.ended),
        artworks=collection.artworks,
        counts=counts,
        reused=standing.reused,
        seconds_to_go=seconds_to_go(standing, live),
        skipped=list(collection.skipped),
        links=CollectionLinks(
            self=base,
            artworks=f"{base}/artworks",
            events=f"{base}/events",
            report=f"{base}/report.html",
            contact_sheet=f"{base}/contact-sheet.png",
            package=f"{base}/package.zip",
        ),
    )


def seconds_to_go(standing: Standing, live: int) -> float | None:
    """For so many jobs, at the pace since the first one began; None where none has ended."""
    if not live:
        return 0.0
    if standing.began is None or not standing.own_ended:
        return None
    return round(max(0.0, standing.moment - standing.began) / standing.own_ended * live, 1)


def member_answer(member: Member) -> MemberAnswer:
    """An artwork as the service shows it."""
    return MemberAnswer(
        path=member.path,
        position=member.position,
        reused=member.reused,
        job=None if member.job is None else job_answer(member.job),
        error=None if member.failure is None else failure_problem(member.failure, "The artwork was refused"),
    )
