"""One artwork's result on disk: there whole, or not at all."""

from __future__ import annotations

import glob
import secrets
import shutil
from collections.abc import Iterable
from pathlib import Path

from worker.errors import ConflictError, StorageError

_PICTURES = ("labels.png", "preview.png", "thumbnail.png", "error.png", "comparison.png")
_SIDE = ("report.json", "masks", *_PICTURES, "tuning.npz")
ASKED = ".asked.json"
"""What a result of a collection was asked for by."""
_SPECULAR = ("preview-specular-included.png", "preview-specular-excluded.png")
_SERIES = ("pieces", "boards.webp", "boards.gif")
LAYOUT = (*_SIDE, "frame.png", "continuity.npz", "fabrication", "top", "bottom", "views", ASKED, *_SPECULAR, *_SERIES)
"""What stands in a result folder: of one side, of a board with two, of a series and its pieces."""


def check_replaceable(target: Path) -> None:
    """Raise ConflictError where `target` exists and holds anything but an earlier result, which must not be lost."""
    if not target.exists() and not target.is_symlink():
        return
    foreign = [target.name]
    if target.is_dir() and not target.is_symlink():
        foreign = sorted(entry.name for entry in target.iterdir() if entry.name not in LAYOUT)
        if not foreign and not (target / "report.json").is_file():
            foreign = ["no report.json"] if any(target.iterdir()) else []
    if foreign:
        raise ConflictError(
            f"{target} exists and is not an earlier result (it has {foreign[0]}).",
            mend="Move it away, or choose another --out.",
        )


def replace_result(target: Path, files: Iterable[tuple[str, bytes]]) -> None:
    """Write `files`, (relative path, bytes), as the folder `target`, in place of an earlier result.

    They are written into a hidden folder beside it, which is renamed once it is whole. Whatever goes wrong before that
    leaves the earlier result as it was.

    Raises
    ------
    ConflictError
        Where `target` holds something else than a result.
    StorageError
        Where the disk does not take the files.
    """
    try:
        _recover(target)
        check_replaceable(target)
        _replace(target, files)
    except OSError as error:
        raise StorageError(
            f"{target} can't be written: {error.strerror or error}.",
            mend="Check the folder's rights and the free space, or choose another --out.",
        ) from error


def write_new_folder(target: Path, files: Iterable[tuple[str, bytes]]) -> None:
    """Write `files`, (relative path, bytes), as the folder `target`, which must not exist; whole or not at all.

    Raises
    ------
    ConflictError
        Where `target` exists.
    StorageError
        Where the disk does not take the files.
    """
    if target.exists() or target.is_symlink():
        raise ConflictError(f"{target} exists.", mend="Move it away, or choose another --out.")
    try:
        _replace(target, files)
    except OSError as error:
        raise StorageError(
            f"{target} can't be written: {error.strerror or error}.",
            mend="Check the folder's rights and the free space, or choose another --out.",
        ) from error


def _replace(target: Path, files: Iterable[tuple[str, bytes]]) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f".{target.name}.part-{secrets.token_hex(4)}")
    try:
        part.mkdir()
        for name, data in files:
            path = part / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        _swap(part, target)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def drop_unfinished(target: Path) -> None:
    """Take away what a process that was killed had begun to write for `target`."""
    for part in target.parent.glob(f".{glob.escape(target.name)}.part-*"):
        shutil.rmtree(part, ignore_errors=True)


def _swap(part: Path, target: Path) -> None:
    """Put `part` in the place of `target`; where that fails, `target` comes back."""
    old = _old(target)
    if not target.exists():
        part.rename(target)
        return
    target.rename(old)
    try:
        part.rename(target)
    except BaseException:
        old.rename(target)
        raise
    shutil.rmtree(old)


def _recover(target: Path) -> None:
    """Bring back what an earlier run set aside, if it was stopped between its two renames."""
    old = _old(target)
    if old.is_dir() and not target.exists():
        old.rename(target)
    elif old.is_dir():
        shutil.rmtree(old)


def _old(target: Path) -> Path:
    return target.with_name(f".{target.name}.old")
