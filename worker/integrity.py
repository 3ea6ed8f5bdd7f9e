"""Whether the store still holds what was put into it: every object is read and hashed anew."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

from worker.fab_profile import revision_of
from worker.job import JobFile
from worker.ledger import Ledger
from worker.ledger.contents import NeededObject, OwnedResult
from worker.storage import CHUNK_BYTES, ObjectStore


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that is not as it was recorded. `job_id` is "" where it belongs to no job alone."""

    job_id: str
    what: str
    mend: str


@dataclass(slots=True, kw_only=True)
class Verified:
    """What was read: objects, their bytes, and what was wrong."""

    objects: int = 0
    bytes: int = 0
    faults: int = 0


GONE, DAMAGED = "is missing", "is damaged"
RUN_AGAIN = "Send the artwork again, or restore a backup."
SEND_AGAIN = "Send it again, or restore a backup: jobs that still wait for it will fail."


def verify(ledger: Ledger, store: ObjectStore, tell: Callable[[Fault], None]) -> Verified:
    """Read every object that a job needs; each fault is told as soon as it is found.

    It may run beside the service: what expires meanwhile is no fault.
    """
    told = Verified()
    for fault in _faults(ledger, store, told):
        told.faults += 1
        tell(fault)
    return told


def _faults(ledger: Ledger, store: ObjectStore, told: Verified) -> Iterator[Fault]:
    for fab_id, revision, toml in ledger.contents.revisions():
        if revision_of(toml) != revision:
            what = f"Revision {revision} of fab {fab_id!r} {DAMAGED} in the database."
            yield Fault(job_id="", what=what, mend="Restore a backup of the database.")
    for result in ledger.contents.results():
        found = list(_of_result(result, store, told))
        if found and ledger.contents.still_needs(result.package.key):
            yield from found
    for needed in ledger.contents.needed():
        fault = _of_object(needed, store, told)
        if fault is not None and ledger.contents.still_needs(needed.key):
            yield fault


def _of_result(result: OwnedResult, store: ObjectStore, told: Verified) -> Iterator[Fault]:
    package = result.package
    try:
        archive = store.open(package.key)
    except FileNotFoundError:
        yield Fault(job_id=result.job_id, what=f"The result {package.key} {GONE}.", mend=RUN_AGAIN)
        return
    with archive:
        told.objects += 1
        told.bytes += package.bytes
        if package.sha256 is not None and _digest(archive) == package.sha256:
            return
        wrong = [file for file in package.files if _hash_of(archive, file) != file.sha256]
        size = archive.seek(0, 2)
    for file in wrong:
        what = f"The file {file.path} of the result {package.key} {DAMAGED}."
        yield Fault(job_id=result.job_id, what=what, mend=RUN_AGAIN)
    if not wrong and (package.sha256 is not None or size != package.bytes):
        what = f"The archive {package.key} {DAMAGED} outside its files: {size} bytes of {package.bytes}."
        yield Fault(job_id=result.job_id, what=what, mend="Take its files one by one, or restore a backup.")


def _digest(file: BinaryIO) -> str:
    digest = hashlib.sha256()
    while chunk := file.read(CHUNK_BYTES):
        digest.update(chunk)
    return digest.hexdigest()


def _hash_of(archive: BinaryIO, file: JobFile) -> str:
    archive.seek(file.start)
    return hashlib.sha256(archive.read(file.bytes)).hexdigest()


def _of_object(needed: NeededObject, store: ObjectStore, told: Verified) -> Fault | None:
    try:
        opened = store.open(needed.key)
    except FileNotFoundError:
        return Fault(job_id=needed.job_id, what=f"The object {needed.key} {GONE}.", mend=SEND_AGAIN)
    with opened:
        told.objects += 1
        digest = _digest(opened)
        told.bytes += opened.tell()
    if digest == needed.sha256:
        return None
    return Fault(job_id=needed.job_id, what=f"The object {needed.key} {DAMAGED}.", mend=SEND_AGAIN)
