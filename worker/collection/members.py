"""From files and a manifest to the artworks of a collection, each with its settings, or with what is wrong with it."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from worker.artwork_files import SUFFIXES
from worker.collection.file_sizes import size_in_name
from worker.collection.manifest import Entry, Given, Manifest
from worker.errors import ManifestError, MaskwrightError
from worker.job import Failure, failure_of
from worker.job_settings import Settings, read_settings

_NOTHING = Entry(settings={})
_SIDES = ("width", "height")


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One artwork of a collection: its path in it, and the paths of what goes with it ("" for none)."""

    path: str
    settings: Settings
    bottom: str = ""
    board_file: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """An artwork that can't be asked for as it is, and why."""

    path: str
    failure: Failure


@dataclass(frozen=True, slots=True, kw_only=True)
class Members:
    """In the order of the files. `skipped` : files that are neither artworks nor go with one."""

    members: tuple[Member, ...]
    refused: tuple[Refused, ...]
    skipped: tuple[str, ...]


def plan_members(
    paths: Sequence[str],
    manifest: Manifest,
    given: Given,
    *,
    named: Collection[str] = (),
    check: Callable[[Settings], None] = lambda settings: None,
) -> Members:
    """Say of each file what it is, and of each artwork what is asked for.

    What an artwork's own entry says comes first, then the size in its file's name, then `given`, which the request
    said of all, then what the manifest says of all. An entry's width or height leaves the name's size out altogether.

    Parameters
    ----------
    paths : of all files, with forward slashes, each once.
    named : paths that are artworks whatever their suffix, since somebody said so.
    check : raises where settings can't hold, as for a fab that lacks a finish.

    Raises
    ------
    ManifestError
        The manifest names a file that is not there.
    """
    _check_names(paths, manifest)
    beside = {path for entry in manifest.entries.values() for path in (entry.bottom, entry.board_file) if path}
    wanted = set(named) | set(manifest.entries)
    known: dict[object, Settings] = {}  # most of thousands are asked for alike
    members: list[Member] = []
    refused: list[Refused] = []
    skipped: list[str] = []
    for path in paths:
        entry = manifest.entries.get(path, _NOTHING)
        is_artwork = path in wanted or PurePosixPath(path).suffix.lower() in SUFFIXES
        if path in beside and path not in manifest.entries:
            continue
        if entry.skip or not is_artwork:
            skipped.append(path)
            continue
        try:
            told = _settings_of(path, entry, given, manifest.shared)
            settings = known.get(key := tuple((name, tuple(told[name])) for name in sorted(told)))
            if settings is None:
                settings = read_settings(told)
                check(settings)
                known[key] = settings
        except MaskwrightError as error:
            refused.append(Refused(path=path, failure=failure_of(error)))
        else:
            members.append(Member(path=path, settings=settings, bottom=entry.bottom, board_file=entry.board_file))
    return Members(members=tuple(members), refused=tuple(refused), skipped=tuple(skipped))


def _settings_of(path: str, entry: Entry, given: Given, shared: Given) -> Mapping[str, Sequence[str]]:
    sized = {} if any(side in entry.settings for side in _SIDES) else size_in_name(path)
    settings: dict[str, Sequence[str]] = {**shared, **given}
    if sized or any(side in entry.settings for side in _SIDES):
        for side in _SIDES:  # a size for all would distort what has one of its own
            settings.pop(side, None)
    return {**settings, **{side: (text,) for side, text in sized.items()}, **entry.settings}


def _check_names(paths: Sequence[str], manifest: Manifest) -> None:
    there = set(paths)
    for path, entry in manifest.entries.items():
        for name, what in ((path, "artwork"), (entry.bottom, "bottom"), (entry.board_file, "board_file")):
            if name and name not in there:
                near = difflib.get_close_matches(name, paths[:5000], 1)
                raise ManifestError(
                    f"{manifest.name}: {entry.place}: {what} {name[:200]!r} is not in the collection.",
                    mend=f"Did you mean {near[0]!r}?" if near else "Write its path as it is in the collection.",
                )
