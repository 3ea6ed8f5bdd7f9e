"""Which files a command line names, and where the result of each goes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

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


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundArtworks:
    """Artworks in a fixed order, and the files of walked folders that are none."""

    artworks: tuple[ArtworkFile, ...]
    skipped: tuple[Path, ...]


def find_artworks(given: Sequence[Path], *, out: Path, bottom: Path | None = None) -> FoundArtworks:
    """Walk the folders among `given`, and give every artwork a result folder of its own.

    Hidden files and folders, `out` and `bottom` are left out of a walk. A result is named by its artwork's stem; where
    two artworks have one stem, each takes its full file name.

    `bottom` : the file of the one artwork's bottom; or a folder, in which that of any artwork lies in the same
    sub-folder with the same stem. An artwork that has none there stays alone.

    Raises
    ------
    ArtworkError
        Where a path does not exist, nothing is found, two artworks have one name in one place, or an artwork of a
        bottom has no top.
    """
    artworks: dict[Path, ArtworkFile] = {}
    skipped: list[Path] = []
    left_out = {one.resolve() for one in (out, bottom) if one is not None}
    for path in given:
        if path.is_dir():
            for file in walk(path, left_out):
                if file.suffix.lower() in SUFFIXES:
                    artworks.setdefault(file.resolve(), _named(file, file.relative_to(path).parent))
                else:
                    skipped.append(file)
        elif path.is_file():
            artworks.setdefault(path.resolve(), _named(path, Path()))
        else:
            raise ArtworkError(f"There is no file or folder {str(path)!r}.", mend="Check the path.")
    if not artworks:
        folders = ", ".join(repr(str(path)) for path in given)
        raise ArtworkError(f"No artwork is in {folders}.", mend=f"Known files: {', '.join(SUFFIXES)}.")
    with_bottoms = list(artworks.values()) if bottom is None else _with_bottoms(list(artworks.values()), bottom)
    return FoundArtworks(artworks=_told_apart(with_bottoms), skipped=tuple(skipped))


def _with_bottoms(artworks: list[ArtworkFile], bottom: Path) -> list[ArtworkFile]:
    """The artworks, each with its bottom where there is one. Raises ArtworkError."""
    if bottom.is_file():
        if len(artworks) != 1:
            raise ArtworkError(
                f"There are {len(artworks)} artworks, and one bottom, {str(bottom)!r}.",
                mend="Give one artwork with it; or a folder of bottoms, each with the stem of its top.",
            )
        return [replace(artworks[0], bottom=bottom)]
    if not bottom.is_dir():
        raise ArtworkError(f"There is no file or folder {str(bottom)!r}.", mend="Check the path after --bottom.")
    waiting: dict[str, Path] = {}
    for file in walk(bottom, set()):
        if file.suffix.lower() not in SUFFIXES:
            continue
        key = _key(_named(file, file.relative_to(bottom).parent).result)
        if key in waiting:
            raise ArtworkError(f"{waiting[key]} and {file} are both for one top.", mend="Rename or remove one.")
        waiting[key] = file
    paired = [replace(artwork, bottom=waiting.get(_key(artwork.result))) for artwork in artworks]
    used = [artwork.bottom for artwork in paired if artwork.bottom is not None]
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


def _named(path: Path, folder: Path) -> ArtworkFile:
    stem = path.stem if path.stem.strip(".") else path.name
    return ArtworkFile(path=path, result=folder / stem)


def _told_apart(artworks: Iterable[ArtworkFile]) -> tuple[ArtworkFile, ...]:
    """Give the full file name to every artwork whose stem something else has too, until nothing changes.

    A folder counts as well: the result of b.png can't be `b` where the results of b/ are to lie.
    """
    listed = list(artworks)
    while True:
        taken = _names(listed)
        named = [_full_name(artwork) if taken[_key(artwork.result)] > 1 else artwork for artwork in listed]
        if named == listed:
            break
        listed = named
    for artwork in listed:
        if taken[_key(artwork.result)] > 1:
            same = [str(other.path) for other in listed if _key(artwork.result) in _keys(other)]
            raise ArtworkError(
                f"{' and '.join(same)} would have one result folder.",
                mend="Rename one, or convert them into different --out folders.",
            )
    return tuple(listed)


def _full_name(artwork: ArtworkFile) -> ArtworkFile:
    return replace(artwork, result=artwork.result.parent / artwork.path.name)


def _names(artworks: Sequence[ArtworkFile]) -> Counter[str]:
    """How many artworks have a result of each name, and one more where it is a folder that holds results."""
    results = Counter(_key(artwork.result) for artwork in artworks)
    folders = {_key(folder) for artwork in artworks for folder in artwork.result.parents}
    return results + Counter(folders)


def _keys(artwork: ArtworkFile) -> set[str]:
    return {_key(artwork.result), *(_key(folder) for folder in artwork.result.parents)}


def _key(path: Path) -> str:
    """Names that differ in case alone are one name on some file systems."""
    return path.as_posix().casefold()
