"""The pages of a contact sheet as files beside the results."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from worker.collection.result_names import sheet_name

_SHEET = re.compile(r"contact-sheet-[0-9]+\.png")


def write_sheets(out: Path, pages: Iterable[bytes]) -> list[str]:
    """Write the pages in place of earlier ones; their names."""
    names = []
    for number, page in enumerate(pages, 1):
        names.append(sheet_name(number))
        (out / names[-1]).write_bytes(page)
    for path in out.glob("contact-sheet-*.png"):
        if _SHEET.fullmatch(path.name) and path.name not in names:
            path.unlink()
    return names
