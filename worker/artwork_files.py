"""Which files a command line names, and where the result of each goes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from worker.collection.result_names import path_without_suffix, result_folders
from worker.errors import ArtworkError

SUFFIXES = (".bmp", ".gif", ".jpeg", ".jpg", ".png", ".svg", ".tif", ".tiff", ".webp")
"""What is taken for an artwork in a folder. A file that is named itself is always tried, since its bytes decide."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ArtworkFile:
    """One artwork: its file, its result's folder below the output folder, and the artwork of the board's bottom."""

    path: Path
    result: Path
    bottom: Path | None = None

    @property
    def name(self) -> str:
        """The result's folder with forward slashes: the stem, after the sub-folders that are kept."""
        return self.result.as_posix()


def open_artwork(path: Path) -> BinaryIO:
    """An artwork's file, opened. Raises ArtworkError."""
    try:
        return path.open("rb")
    except OSError as error:
        raise ArtworkError(
            f"{path.name} can't be read: {error.strerror or error}.", mend="Check its rights."
        ) from error


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundArtworks:
    """Artworks in a fixed order, and the files of walked folders that are none."""

    artworks: tuple[ArtworkFile, ...]
    skipped: tuple[Path, ...]


def find_artworks(given: Sequence[Path], *, out: Path, bottom: Path | None = None) -> FoundArtworks:
    """Walk the folders among `given`, and give every artwork a result folder of its own (`result_folders`).

    Hidden files and folders, `out` and `bottom` are left out of a walk.

    `bottom` : the file of the one artwork's bottom; or a folder, in which that of any artwork lies in the same
    sub-folder with the same stem. An artwork that has none there stays alone.

    Raises
    ------
    ArtworkError
        Where a path does not exist, nothing is found, two artworks have one name in one place, or an artwork of a
        bottom has no top.
    """
    artworks: dict[str, Path] = {}
    skipped: list[Path] = []
    known: set[Path] = set()
    by_name = set(given)
    for path, source in named_files(given, [out, bottom]):
        if source in by_name or source.suffix.lower() in SUFFIXES:
            if source.resolve() not in known:
                known.add(source.resolve())
                add_source(artworks, path, source)
        else:
            skipped.append(source)
    if not artworks:
        raise no_artwork(given)
    bottoms = {} if bottom is None else bottoms_of(list(artworks), bottom)
    folders = result_folders(list(artworks))
    listed = [
        ArtworkFile(path=source, result=Path(folders[path]), bottom=bottoms.get(path))
        for path, source in artworks.items()
    ]
    return FoundArtworks(artworks=tuple(listed), skipped=tuple(skipped))


def named_files(given: Sequence[Path], left_out: Iterable[Path | None] = ()) -> Iterator[tuple[str, Path]]:
    """Every file named and every one of the folders named, with its path below them, with forward slashes.

    Raises ArtworkError where a path does not exist.
    """
    not_these = {path.resolve() for path in left_out if path is not None}
    for top in given:
        if top.is_dir():
            yield from ((file.relative_to(top).as_posix(), file) for file in walk(top, not_these))
        elif top.is_file():
            yield top.name, top
        else:
            raise ArtworkError(f"There is no file or folder {str(top)!r}.", mend="Check the path.")


def add_source(sources: dict[str, Path], path: str, source: Path) -> None:
    """Note where the file of a path lies. Raises ArtworkError where another one has that path."""
    if path in sources:
        raise ArtworkError(
            f"{sources[path]} and {source} are both {path!r}.",
            mend="Rename one, or name the folder that both lie in.",
        )
    sources[path] = source


def no_artwork(given: Sequence[Path]) -> ArtworkError:
    """That nothing among `given` is an artwork."""
    folders = ", ".join(repr(str(path)) for path in given)
    return ArtworkError(f"No artwork is in {folders}.", mend=f"Known files: {', '.join(SUFFIXES)}.")


def bottoms_of(artworks: Sequence[str], bottom: Path) -> dict[str, Path]:
    """The file of the bottom of each artwork, by the artwork's path, where there is one. Raises ArtworkError."""
    if bottom.is_file():
        if len(artworks) != 1:
            raise ArtworkError(
                f"There are {len(artworks)} artworks, and one bottom, {str(bottom)!r}.",
                mend="Give one artwork with it; or a folder of bottoms, each with the stem of its top.",
            )
        return {artworks[0]: bottom}
    if not bottom.is_dir():
        raise ArtworkError(f"There is no file or folder {str(bottom)!r}.", mend="Check the path after --bottom.")
    waiting: dict[str, Path] = {}
    for path, file in named_files([bottom]):
        if file.suffix.lower() not in SUFFIXES:
            continue
        key = _stem_key(path)
        if key in waiting:
            raise ArtworkError(f"{waiting[key]} and {file} are both for one top.", mend="Rename or remove one.")
        waiting[key] = file
    paired = {path: waiting[_stem_key(path)] for path in artworks if _stem_key(path) in waiting}
    used = list(paired.values())
    if alone := sorted(str(file) for file in waiting.values() if file not in used):
        raise ArtworkError(
            f"No artwork of a top has the stem of {alone[0]}.",
            mend="Give its top among the artworks, in the same sub-folder and with the same stem; or move it away.",
        )
    if doubled := [str(file) for file in used if used.count(file) > 1]:
        raise ArtworkError(f"{doubled[0]} is the bottom of two artworks.", mend="Rename one of the two tops.")
    return paired


def walk(folder: Path, left_out: set[Path]) -> Iterable[Path]:
    """The files below a folder in a fixed order, without hidden ones, links to folders, and what is `left_out`."""
    for entry in sorted(folder.iterdir()):
        if entry.name.startswith(".") or entry.resolve() in left_out:
            continue
        if entry.is_dir():
            if not entry.is_symlink():
                yield from walk(entry, left_out)
        else:
            yield entry


def _stem_key(path: str) -> str:
    """Names that differ in case alone are one name on some file systems."""
    return path_without_suffix(path).casefold()
