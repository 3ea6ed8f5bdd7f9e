"""What the artworks of a collection share: one palette, or the plan of a series, whose pieces follow on one another."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from worker.animation_file import AnimationFile, read_animation_file
from worker.errors import SettingsError
from worker.job import ANIMATION, InputFile, JobRequest
from worker.job_settings import Settings
from worker.ledger.collections import MemberRequest
from worker.natural_order import natural_key
from worker.storage import ObjectStore

SERIES_FIELDS = ("series", "still")
DEFAULT_MS = 125
"""How long a piece is shown whose artwork states no time: eight a second."""
_ALIKE = ("width", "height", "pitch", "board", "edges", "background", "viewing_conditions")


def read_series(plain: Mapping[str, str]) -> float | None:
    """What a form says of a series: the CIEDE2000 up to which colours are the same; None where it is none."""
    chosen = plain.get("series", "") or "off"
    if chosen not in ("on", "off"):
        raise SettingsError(f"series is {chosen[:40]!r}.", mend="Choose on or off.", setting="series")
    if chosen == "off":
        return None
    text = plain.get("still", "") or "1"
    try:
        still = float(text)
    except ValueError:
        still = float("nan")
    if not 0.0 <= still <= 20.0:
        raise SettingsError(
            f"still is {text[:40]!r}.", mend="Write a CIEDE2000 from 0 to 20, such as 1.", setting="still"
        )
    return still


def with_shared_palette(
    asked: Sequence[MemberRequest], settings: Mapping[str, Settings], shared: Settings
) -> tuple[list[MemberRequest], list[JobRequest]]:
    """Members that want a shared palette wait for it; and the job that makes it, of the artworks of all of them.

    settings : of the members by path. shared : what is said of all.
    """
    sharing = [one for one in asked if one.request is not None and settings[one.path].palette == "shared"]
    if not sharing:
        return list(asked), []
    inputs: dict[str, InputFile] = {}
    written: list[Mapping[str, Any]] = []
    for one in sharing:
        request = one.request
        assert request is not None
        files = [InputFile(key=f"artworks/{request.artwork}", bytes=request.artwork_bytes, sha256=request.artwork)]
        files += [file for name, file in request.inputs.items() if name == "bottom"]
        for file in files:
            inputs[str(len(inputs))] = replace(file, name=one.path[-200:])
            written.append(request.settings)
    first = sharing[0].request
    assert first is not None
    palette = _made_of_many("palette", "palette", first, {"settings": shared.as_text(), "artworks": written}, inputs)
    waiting = {one.path: _needing(one, (palette.fingerprint,)) for one in sharing}
    return [waiting.get(one.path, one) for one in asked], [palette]


def _needing(one: MemberRequest, needs: tuple[str, ...], **more: Any) -> MemberRequest:
    """The same request, which waits for others; equal only where those are equal too."""
    assert one.request is not None
    told = json.dumps([one.request.fingerprint, needs, sorted(more.get("settings", {}).items(), key=str)], default=str)
    fingerprint = hashlib.sha256(told.encode()).hexdigest()
    return replace(one, request=replace(one.request, needs=needs, fingerprint=fingerprint, **more))


def _made_of_many(
    kind: str, name: str, like: JobRequest, settings: Mapping[str, Any], inputs: Mapping[str, InputFile]
) -> JobRequest:
    told = [kind, like.lane, like.fab_id, settings, [(file.name, file.sha256) for file in inputs.values()]]
    return JobRequest(
        owner=like.owner,
        kind=kind,
        lane=like.lane,
        name=name,
        artwork="",
        artwork_bytes=0,
        fab_id=like.fab_id,
        fab_revision=like.fab_revision,
        settings=settings,
        fingerprint=hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest(),
        inputs=inputs,
    )


def as_series(
    asked: Sequence[MemberRequest], settings: Mapping[str, Settings], still: float, store: ObjectStore
) -> tuple[list[MemberRequest], list[JobRequest]]:
    """The members as pieces of a series, each after the one before; and the job that plans them.

    One artwork is an animation, whose frames are the pieces; several are pieces in the order that people count.

    Raises SettingsError where they can't be one series, ArtworkError for an animation that is none.
    """
    refused = [one for one in asked if one.request is None]
    pieces = sorted((one for one in asked if one.request is not None), key=lambda one: natural_key(one.path))
    _check_alike(pieces, settings)
    if not pieces:
        return list(asked), []
    animation = _animation(pieces[0], store) if len(asked) == 1 else None
    if len(asked) == 1 and animation is None:
        raise SettingsError(
            f"A series needs two artworks, and {pieces[0].path[:200]!r} has one frame.",
            mend="Send an animation (GIF, APNG, WebP or TIFF), or several pictures.",
            setting="series",
        )
    first = pieces[0].request
    assert first is not None
    if animation is not None:
        inputs = {ANIMATION: _input(pieces[0])}
        frames = _frames(pieces[0], animation)
    else:
        inputs = {str(number): _input(one) for number, one in enumerate(pieces)}
        frames = [(one, None, DEFAULT_MS) for one in pieces]
    shared = replace(settings[pieces[0].path], palette="shared")
    plan = _made_of_many("series-plan", "plan", first, {"settings": shared.as_text()}, inputs)
    made: list[MemberRequest] = []
    needs: tuple[str, ...] = (plan.fingerprint,)
    for one, number, milliseconds in frames:
        assert one.request is not None
        written = {**one.request.settings, "palette": "shared"}
        more = {"frame": number, "still": f"{still:g}", "milliseconds": milliseconds}
        piece = _needing(one, needs, kind="piece", settings={**written, **more})
        assert piece.request is not None
        made.append(piece)
        needs = (plan.fingerprint, piece.request.fingerprint)
    return [*made, *refused], [plan]


def _frames(whole: MemberRequest, animation: AnimationFile) -> list[tuple[MemberRequest, int | None, int]]:
    """A member for each frame of an animation, with its number and its time."""
    assert whole.request is not None
    digits = max(2, len(str(animation.frames)))
    timed = animation.format != "TIFF"
    found: list[tuple[MemberRequest, int | None, int]] = []
    for number, milliseconds in enumerate(animation.milliseconds):
        name = f"{whole.path}-{number + 1:0{digits}}"
        request = replace(whole.request, name=name.rsplit("/", 1)[-1])
        found.append((replace(whole, path=name, request=request), number, milliseconds if timed else DEFAULT_MS))
    return found


def _animation(one: MemberRequest, store: ObjectStore) -> AnimationFile | None:
    """What an artwork's container says, where it has several frames. Raises ArtworkError."""
    assert one.request is not None
    with store.open(f"artworks/{one.request.artwork}") as source:
        found = read_animation_file(source, name=one.path)
    return found if found is not None and found.frames > 1 else None


def _input(one: MemberRequest) -> InputFile:
    request = one.request
    assert request is not None
    name = one.path[-200:]
    return InputFile(key=f"artworks/{request.artwork}", bytes=request.artwork_bytes, sha256=request.artwork, name=name)


def _check_alike(pieces: Sequence[MemberRequest], settings: Mapping[str, Settings]) -> None:
    """Raise SettingsError where pieces differ in what all pieces of a series must share."""
    for one in pieces:
        assert one.request is not None
        if "bottom" in one.request.inputs:
            raise SettingsError(
                f"{one.path[:200]!r} has a bottom, and pieces of a series have one side.",
                mend="Leave the bottoms out, or send the artworks as a collection that is no series.",
                setting="series",
            )
        mine, first = settings[one.path].as_text(), settings[pieces[0].path].as_text()
        for name in _ALIKE:
            if mine[name] != first[name]:
                other = pieces[0].path[:200]
                raise SettingsError(
                    f"{name} of {one.path[:200]!r} is {mine[name]}, and that of {other!r} is {first[name]}.",
                    mend=f"Give all pieces of a series the same {name}.",
                    setting=name,
                )
