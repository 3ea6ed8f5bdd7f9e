"""Names in the order that people count: frame-2 before frame-10."""

from __future__ import annotations

import re

_NUMBER = re.compile(r"([0-9]+)")


def natural_key(name: str) -> tuple[tuple[int, int, str], ...]:
    """What names are sorted by: digits as the number that they write, letters without regard to case."""
    parts = _NUMBER.split(name)
    key = [(0, int(part), part) if i % 2 else (1, 0, part.casefold()) for i, part in enumerate(parts) if part]
    return (*key, (-1, 0, name))
