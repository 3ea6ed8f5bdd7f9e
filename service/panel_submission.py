"""From a panel file to a job in the queue: its pieces are results of jobs that this owner has."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from service.accepting import add_job
from service.asking import keep_bytes
from service.backing import Backing
from worker.errors import ConflictError, ExpiredError, PanelError
from worker.job import CONVERTED, PANEL_FILE, InputFile, Job, JobRequest, Lane, Package
from worker.panel_file import PanelFile, PlannedPiece, check_alone, is_panel_part, read_panel_file

FILE_NAME = "panel file"
MAX_RESULTS = 500
"""Different results on one panel."""


def submit_panel(backing: Backing, owner: str, lane: Lane, data: bytes, key: str | None) -> tuple[Job, bool]:
    """Check a panel file, find the results that it names, and put the job into the queue.

    Returns the job, and whether it is new: with an idempotency key seen before it is the job of then.

    Raises
    ------
    PanelError, NotFoundError, ConflictError, ExpiredError, QueueFullError, ProtocolError
    """
    panel = read_panel_file(data, file_name=FILE_NAME)
    inputs: dict[str, InputFile] = {}
    pieces: list[dict[str, Any]] = []
    numbers: dict[str, int] = {}
    fabs: dict[str, str] = {}
    for plan, job, package in _results(backing, owner, panel):
        fabs.setdefault(job.fab_id, job.fab_revision)
        if job.id not in numbers:
            numbers[job.id] = len(numbers)
            inputs |= _parts(plan, job, package, numbers[job.id])
        if len(numbers) > MAX_RESULTS:
            raise PanelError(
                f"{FILE_NAME}: the pieces are over {MAX_RESULTS} different results.", mend="Make several panels."
            )
        pieces.append({"entry": plan.entry, "job": job.id, "files": str(numbers[job.id])})
    fab_id, revision = _only_fab(panel, fabs)
    inputs[PANEL_FILE] = keep_bytes(backing, data, name=FILE_NAME)
    asked = ["panel", lane, hashlib.sha256(data).hexdigest(), {name: asdict(file) for name, file in inputs.items()}]
    request = JobRequest(
        owner=owner,
        kind="panel",
        lane=lane,
        name=panel.name or "panel",
        artwork="",
        artwork_bytes=0,
        fab_id=fab_id,
        fab_revision=revision,
        settings={"pieces": pieces},
        fingerprint=hashlib.sha256(json.dumps(asked, sort_keys=True).encode()).hexdigest(),
        idempotency_key=key,
        inputs=inputs,
    )
    return add_job(backing, request)


def _results(backing: Backing, owner: str, panel: PanelFile) -> Iterator[tuple[PlannedPiece, Job, Package]]:
    """Each piece's job and result, in the order of the panel file; a collection's in the order of its artworks."""
    for plan in panel.pieces:
        if plan.kind not in ("job", "collection"):
            raise PanelError(
                f"{FILE_NAME}: {plan.entry}: {plan.kind} is of the command line.",
                mend="A service knows its jobs: convert the artwork there, and name its job, or a collection.",
            )
        if plan.kind == "job":
            job = backing.ledger.jobs.get(owner, plan.source)
            _check_result(plan, job)
            yield plan, job, backing.ledger.jobs.package(owner, job.id)
            continue
        yield from _of_collection(backing, owner, plan)


def _of_collection(backing: Backing, owner: str, plan: PlannedPiece) -> Iterator[tuple[PlannedPiece, Job, Package]]:
    collections = backing.ledger.collections
    collection = collections.get(owner, plan.source)
    members = collections.members(collection.id, state="done", size=MAX_RESULTS + 1)
    if not members:
        raise PanelError(
            f"{FILE_NAME}: {plan.entry}: no artwork of collection {collection.id} is done.",
            mend="Wait for it, or name another one.",
        )
    packages = collections.packages_of(members)
    for member in members:
        if member.job is not None:
            _check_result(plan, member.job)
            yield plan, member.job, packages[member.position]


def _check_result(plan: PlannedPiece, job: Job) -> None:
    where = f"{FILE_NAME}: {plan.entry}: job {job.id}"
    if job.kind not in CONVERTED or job.state != "done":
        what = f"is {job.state}" if job.kind in CONVERTED else f"is a {job.kind}"
        raise ConflictError(f"{where} {what}.", mend="Name a conversion that is done.")
    if job.expired is not None:
        raise ExpiredError(f"{where}: its files were given up.", mend="Convert its artwork again.")


def _parts(plan: PlannedPiece, job: Job, package: Package, number: int) -> dict[str, InputFile]:
    """What a panel needs of a result, as further files of its job."""
    check_alone((file.path for file in package.files), source=f"{FILE_NAME}: {plan.entry}: job {job.id} ({job.name})")
    parts = {
        f"{number}/{file.path}": InputFile(key=package.key, start=file.start, bytes=file.bytes, sha256=file.sha256)
        for file in package.files
        if is_panel_part(file.path)
    }
    if not any(name.endswith(".gbr") for name in parts):
        raise PanelError(
            f"{FILE_NAME}: {plan.entry}: job {job.id} ({job.name}) has no fabrication files.",
            mend="Convert its artwork again with fabrication = on: a panel is made of fabrication files.",
        )
    return parts


def _only_fab(panel: PanelFile, fabs: dict[str, str]) -> tuple[str, str]:
    """The fab that all pieces were made for, and the revision of the first of them."""
    names: Sequence[str] = list(fabs)
    if len(names) > 1:
        raise PanelError(
            f"{FILE_NAME}: its pieces were made for the fabs {', '.join(names[:5])}.",
            mend="A panel is one board of one stack-up: put pieces of one fab on it.",
        )
    (fab_id,) = names
    if panel.fab and panel.fab != fab_id:
        raise PanelError(
            f"{FILE_NAME}: fab is {panel.fab!r}, and its pieces were made for {fab_id}.",
            mend="Leave fab out, or name the pieces' own.",
        )
    return fab_id, fabs[fab_id]
