"""A collection that is a series: how still its pieces stand, and the boards in motion."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Literal

from starlette.concurrency import run_in_threadpool

from service.asking import Question
from service.backing import Backing
from service.drawn_files import drawn_file
from worker.job import ANIMATION, FRAME_FILE, InputFile
from worker.ledger.collections import Collection, Member

Form = Literal["webp", "png", "gif"]
MEDIA_TYPES: Mapping[Form, str] = {"webp": "image/webp", "png": "image/apng", "gif": "image/gif"}
_COUNTED = ("unchanged_px", "flickering_px", "beside_changes_px", "lagging_px")


def stillness(backing: Backing, collection: Collection) -> dict[str, Any] | None:
    """How still the pieces that are done stand against one another, all together; None of other collections."""
    sums = dict.fromkeys(_COUNTED, 0)
    largest, found = 0.0, False
    for member in _pieces(backing, collection):
        assert member.job is not None and member.job.summary is not None
        found = True
        told = member.job.summary.get("stillness")
        if told is not None:
            largest = max(largest, told["share"])
            sums = {name: sums[name] + told[name] for name in _COUNTED}
    if not found:
        return None
    share = sums["flickering_px"] / max(1, sums["unchanged_px"])
    return {**sums, "share": share, "largest_share": largest}


async def drawn_animation(
    backing: Backing, owner: str, collection: Collection, form: Form, rate: float | None
) -> bytes | None:
    """The boards that are done, one after the other beside their artworks; None where there is none.

    rate : boards a second; None as the artworks' file says.
    """
    question = await run_in_threadpool(_question, backing, collection, form, rate)
    if question is None:
        return None
    return await drawn_file(backing, owner, question, ANIMATION, what="made the animation")


def _question(backing: Backing, collection: Collection, form: Form, rate: float | None) -> Question | None:
    frames: list[InputFile] = []
    milliseconds: list[int] = []
    for member in _pieces(backing, collection):
        package = backing.ledger.collections.packages_of([member], paths=(FRAME_FILE,)).get(member.position)
        frame = None if package is None else package.file(FRAME_FILE)
        if package is None or frame is None or member.job is None:
            continue
        frames.append(InputFile(key=package.key, bytes=frame.bytes, sha256=frame.sha256, start=frame.start))
        milliseconds.append(round(1000.0 / rate) if rate is not None else int(member.job.settings["milliseconds"]))
    if not frames:
        return None
    return Question(
        kind="animation",
        name=collection.name,
        fab_id=collection.fab_id,
        fab_revision=collection.fab_revision,
        settings={"form": form, "milliseconds": milliseconds},
        inputs={str(number): frame for number, frame in enumerate(frames)},
    )


def _pieces(backing: Backing, collection: Collection) -> Iterator[Member]:
    """The pieces of a series that are done, in their order."""
    start = 0
    while page := backing.ledger.collections.members(collection.id, state="done", kind="piece", start=start):
        start += len(page)
        yield from page
