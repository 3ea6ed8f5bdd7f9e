"""What the service answers of jobs and files, as JSON: one model per thing, with an example of each."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

from pydantic import BaseModel, ConfigDict, Field

from service.errors import STATUS, problem
from worker.job import BOTTOM, STAGES, Failure, Job, JobFile, Lane, State

EXAMPLE_ID = "3f0c1f4e5b7a4c0e9a63c6b1d2e8f901"
EXAMPLE_REVISION = "5c1f0e9b7a2d4836"
EXAMPLE_SHA256 = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"


class Problem(BaseModel):
    """An error, after RFC 9457. `detail` says what is wrong and how to mend it; `code` never changes."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [problem("settings", "Setting pitch is '200um'.", "Choose 5um to 100um.", "pitch")],
        }
    )

    type: str
    title: str
    status: int
    detail: str
    code: str
    setting: str | None = Field(
        default=None, description="the one setting, or field, that it is about, where it is about one"
    )


class ArtworkAnswer(BaseModel):
    """The artwork of a job."""

    name: str = Field(examples=["badge.png"])
    bytes: int = Field(examples=[48213])
    sha256: str = Field(examples=[EXAMPLE_SHA256])


class FabReference(BaseModel):
    """The exact fab profile that a job uses."""

    id: str = Field(examples=["example-fab"])
    revision: str = Field(examples=[EXAMPLE_REVISION])


class ProgressAnswer(BaseModel):
    """How far a job is: `done` of `of` parts of `stage`; `stages` lists all stages in order."""

    stage: str = Field(examples=["separation"])
    done: int = Field(examples=[3])
    of: int = Field(examples=[8])
    stages: list[str] = Field(examples=[list(STAGES)])


class Result(BaseModel):
    """What a finished job gave, in short; report.json says all. Sizes in mm; `seconds` from claim to last file."""

    model_config = ConfigDict(extra="allow")

    width_mm: float | None = Field(default=None, examples=[60.0])
    height_mm: float | None = Field(default=None, examples=[40.0])
    finishes: list[dict[str, Any]] = Field(default=[], examples=[[{"id": "legend", "share": 0.4}]])
    sides: list[dict[str, Any]] | None = Field(
        default=None,
        examples=[None],
        description="side, finishes and score of both sides, of a piece with two; above are the top's",
    )
    warnings: list[Any] = Field(default=[], examples=[[]])
    seconds: float | None = Field(default=None, examples=[0.84])
    stages: dict[str, float] = Field(
        default={},
        examples=[{"separation": 0.21}],
        description="seconds of each stage; score has none of its own where it was made beside layers",
    )


class JobLinks(BaseModel):
    """Where to go from a job."""

    self: str = Field(examples=[f"/v1/jobs/{EXAMPLE_ID}"])
    events: str = Field(examples=[f"/v1/jobs/{EXAMPLE_ID}/events"])
    files: str = Field(examples=[f"/v1/jobs/{EXAMPLE_ID}/files"])
    package: str = Field(examples=[f"/v1/jobs/{EXAMPLE_ID}/package.zip"])
    fab: str = Field(examples=[f"/v1/fabs/example-fab?revision={EXAMPLE_REVISION}"])


class JobAnswer(BaseModel):
    """One job. `version` rises with every change. Done: `score` and `result` are there; failed: `error` is."""

    id: str = Field(examples=[EXAMPLE_ID])
    kind: str = Field(examples=["convert"])
    lane: Lane = Field(examples=["batch"])
    state: State = Field(examples=["running"])
    version: int = Field(examples=[4])
    artwork: ArtworkAnswer | None
    bottom: ArtworkAnswer | None = Field(description="the artwork of the bottom, of a piece with two sides")
    fab: FabReference
    settings: dict[str, Any] = Field(examples=[{"width": "60mm", "pin": ["#C82828~12=legend"]}])
    attempt: int = Field(examples=[1], description="how many workers have begun it")
    created: datetime = Field(examples=["2026-01-31T12:00:00.000000Z"])
    started: datetime | None = Field(examples=["2026-01-31T12:00:00.200000Z"])
    finished: datetime | None = Field(examples=[None])
    expired: datetime | None = Field(
        default=None, examples=[None], description="when its files were given up, by the policy of the service"
    )
    progress: ProgressAnswer | None
    score: dict[str, Any] | None = Field(
        examples=[{"viewing_distance_mm": 300, "s_cielab": {"mean": 4.2, "median": 3.1, "p95": 11.8, "max": 30.5}}]
    )
    result: Result | None
    error: Problem | None = Field(examples=[None])
    links: JobLinks


class JobsAnswer(BaseModel):
    """One page of jobs, newest first. `next` is where the older ones are, or null."""

    jobs: list[JobAnswer]
    next: str | None = Field(examples=["/v1/jobs?limit=50&cursor=1234"])


class FileAnswer(BaseModel):
    """One result file."""

    path: str = Field(examples=["masks/legend.png"])
    bytes: int = Field(examples=[10240])
    sha256: str = Field(examples=[EXAMPLE_SHA256])
    media_type: str = Field(examples=["image/png"])
    href: str = Field(examples=[f"/v1/jobs/{EXAMPLE_ID}/files/masks/legend.png"])


class FilesAnswer(BaseModel):
    """The result files of a job; none before it is done."""

    state: State = Field(examples=["done"])
    files: list[FileAnswer]


def job_answer(job: Job) -> JobAnswer:
    """A job as the service shows it."""
    summary = dict(job.summary) if job.summary is not None else None
    base = f"/v1/jobs/{job.id}"
    bottom = job.inputs.get(BOTTOM) if job.kind == "convert" else None
    return JobAnswer(
        id=job.id,
        kind=job.kind,
        lane=job.lane,
        state=job.state,
        version=job.version,
        artwork=ArtworkAnswer(name=job.name, bytes=job.artwork_bytes, sha256=job.artwork) if job.artwork else None,
        bottom=None if bottom is None else ArtworkAnswer(name=bottom.name, bytes=bottom.bytes, sha256=bottom.sha256),
        fab=FabReference(id=job.fab_id, revision=job.fab_revision),
        settings=dict(job.settings),
        attempt=job.attempt,
        created=moment(job.created),
        started=moment_or_none(job.started),
        finished=moment_or_none(job.finished),
        expired=moment_or_none(job.expired),
        progress=None
        if job.progress is None
        else ProgressAnswer(stage=job.progress.stage, done=job.progress.done, of=job.progress.of, stages=list(STAGES)),
        score=None if summary is None else summary.pop("score", None),
        result=None if summary is None else Result(**summary),
        error=None if job.failure is None else failure_problem(job.failure, "The job failed"),
        links=JobLinks(
            self=base,
            events=f"{base}/events",
            files=f"{base}/files",
            package=f"{base}/package.zip",
            fab=f"/v1/fabs/{job.fab_id}?revision={job.fab_revision}",
        ),
    )


def failure_problem(failure: Failure, title: str) -> Problem:
    """What something failed by, as a problem document."""
    return Problem(
        type=f"urn:maskwright:problem:{failure.code}",
        title=title,
        status=STATUS.get(failure.code, 500),
        detail=f"{failure.what} {failure.mend}",
        code=failure.code,
        setting=failure.setting,
    )


def file_answer(job_id: str, file: JobFile) -> FileAnswer:
    """A result file as the service shows it."""
    return FileAnswer(
        path=file.path,
        bytes=file.bytes,
        sha256=file.sha256,
        media_type=file.media_type,
        href=f"/v1/jobs/{job_id}/files/{quote(file.path)}",
    )


def moment(seconds: float) -> datetime:
    """A time of the ledger, as the service shows it."""
    return datetime.fromtimestamp(seconds, UTC)


def moment_or_none(seconds: float | None) -> datetime | None:
    """The same of a time that may not have come."""
    return None if seconds is None else moment(seconds)


def problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The problem documents that a route may answer with, for the API's description."""
    return {
        status: {
            "model": Problem,
            "description": "Problem document",
            "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}},
        }
        for status in (401, 403, *statuses, 500, 503)
    }
