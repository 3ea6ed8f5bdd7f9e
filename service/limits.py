"""What is refused before an upload is taken: one job too many of an owner, and bytes that the disk has no room for."""

from __future__ import annotations

from collections.abc import Callable

from fastapi import Request
from starlette.concurrency import run_in_threadpool

from service.backing import Backing
from worker.errors import StoreFullError

MB = 1_000_000


async def check_before_upload(
    request: Request, backing: Backing, owner: str, *, asked: bool, key: str | None = None
) -> None:
    """Raise QueueFullError or StoreFullError where what comes can't be taken; nothing of it has been read then.

    A request whose idempotency key is known makes no job, so it is let through to be answered with the job of then.
    """

    def check() -> None:
        check_space(backing, coming=int(request.headers.get("content-length") or 0))
        if key is None or not backing.ledger.jobs.knows(owner, key):
            backing.ledger.jobs.check_room(owner, asked=asked, most=most_waiting(backing, asked=asked))

    await run_in_threadpool(check)


def most_waiting(backing: Backing, *, asked: bool) -> int:
    """How many jobs, or questions, of one owner may wait; 0 for any number."""
    environment = backing.environment
    return environment.owner_waiting_questions if asked else environment.owner_waiting_jobs


def check_space(backing: Backing, *, coming: int) -> None:
    """Raise StoreFullError where `coming` bytes more would leave less free space than the service keeps."""
    floor = backing.environment.free_space_mb * MB
    if not floor:
        return
    measured: tuple[Callable[[], int | None], ...] = (backing.store.free_bytes, backing.ledger.database.free_bytes)
    free = min((found for measure in measured if (found := measure()) is not None), default=None)
    if free is not None and free - coming < floor:
        raise StoreFullError(
            f"The service has {free // MB} MB of free space and keeps {floor // MB} MB of it free; "
            f"the request has {coming / MB:.1f} MB.",
            mend="Nothing of it was taken. Whoever runs the service has to free space or to lower "
            "MASKWRIGHT_FREE_SPACE_MB; then send the same request again.",
        )
