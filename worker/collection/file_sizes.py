"""Sizes that people write into the names of files: `owl_30mm.png`, `owl 30x40mm.png`, `owl-1.5in.png`."""

from __future__ import annotations

import re
from pathlib import PurePosixPath

_NUMBER = r"[0-9]{1,4}(?:\.[0-9]{1,3})?"
_SIZE = re.compile(rf"(?:^|[\s_(-])({_NUMBER})(?:\s?[xX×]\s?({_NUMBER}))?\s?(mm|cm|in)\)?$")


def size_in_name(path: str) -> dict[str, str]:
    """The settings `width`, or `width` and `height`, that a file's name ends with, before its suffix; else none."""
    found = _SIZE.search(PurePosixPath(path).stem)
    if found is None:
        return {}
    width, height, unit = found.groups()
    return {"width": f"{width}{unit}"} | ({"height": f"{height}{unit}"} if height else {})
