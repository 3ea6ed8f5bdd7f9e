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
    """One artwork: its file, and its result's folder below the output folder."""

    path: Path
    result: Path

    @property
    def name(self) -> str:
        """The result's folder with forward slashes: the stem, after the sub-folders that are kept."""
        return self.result.as_posix()


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundArtworks:
    """Artworks in a fixed order, and the files of walked folders that are none."""

    artworks: tuple[ArtworkFile, ...]
    skipped: tuple[Path, ...]


def find_artworks(given: Sequence[Path], *, out: Path) -> FoundArtworks:
    """Walk the folders among `given`, and give every artwork a result folder of its own.

    Hidden files and folders, and `out` itself, are left out of a walk. A result is named by its artwork's stem; where
    two artworks have one stem, each takes its full file name.

    Raises
    ------
    ArtworkError
        Where a path does not exist, nothing is found, or two artworks have one name in one place.
    """
    artworks: dict[Path, ArtworkFile] = {}
    skipped: list[Path] = []
    for path in given:
        if path.is_dir():
            for file in _walk(path, out.resolve()):
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
    return FoundArtworks(artworks=_told_apart(artworks.values()), skipped=tuple(skipped))


def _walk(folder: Path, out: Path) -> Iterable[Path]:
    for entry in sorted(folder.iterdir()):
        if entry.name.startswith("."):
            continue
        if entry.is_dir():
            if entry.resolve() != out and not entry.is_symlink():
                yield from _walk(entry, out)
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
