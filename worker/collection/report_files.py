"""A collection's report and the pages of its contact sheet as files beside its results."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path

from worker.collection.result_names import sheet_name
from worker.errors import StorageError

_SHEET = re.compile(r"contact-sheet-[0-9]+\.png")


def write_sheets(out: Path, pages: Iterable[bytes]) -> list[str]:
    """Write the pages in place of earlier ones; their names. Raises StorageError."""
    names = []
    for number, page in enumerate(pages, 1):
        names.append(sheet_name(number))
        replace_file(out / names[-1], page)
    for path in out.glob("contact-sheet-*.png"):
        if _SHEET.fullmatch(path.name) and path.name not in names:
            path.unlink()
    return names


def replace_file(path: Path, data: bytes) -> None:
    """Write a file in place of an earlier one, whole or not at all. Raises StorageError."""
    part = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(data)
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise StorageError(
            f"{path} can't be written: {error.strerror or error}.",
            mend="Check the folder's rights and the free space, or choose another --out.",
        ) from error
