"""A file that a command writes, and that must not be there yet: nothing is ever overwritten."""

from __future__ import annotations

from pathlib import Path

from worker.errors import ConflictError, StorageError


def check_new(path: Path) -> None:
    """Raise ConflictError where a file of this name exists: asked before any work is done."""
    if path.exists():
        raise ConflictError(f"{path} exists.", mend="Move it away, or choose another name.")


def write_new(path: Path, data: bytes) -> None:
    """Write a new file. Raises ConflictError where it exists, StorageError where it can't be written."""
    try:
        with path.open("xb") as file:
            file.write(data)
    except FileExistsError as error:
        raise ConflictError(f"{path} exists.", mend="Move it away, or choose another name.") from error
    except OSError as error:
        raise StorageError(
            f"{path} can't be written: {error.strerror or error}.", mend="Check its folder's rights and free space."
        ) from error
