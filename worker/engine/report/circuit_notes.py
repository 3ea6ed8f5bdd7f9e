"""What the sheets for a fab and the report say of a circuit with art, in place of what they say of art alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitNotes:
    """functions, meanings : of each file, by its path. copper_layers : of the board. lines : of READ ME FIRST, one for
    each paragraph. block : of the report. left_beside : how the paths begin of files that a fab doesn't get.
    copper : of each side, the art's connected parts, their area, and that of those which float.
    """

    functions: Mapping[str, str]
    meanings: Mapping[str, str]
    copper_layers: int
    lines: tuple[str, ...]
    block: Mapping[str, Any] = field(repr=False)
    left_beside: str
    copper: tuple[Mapping[str, Any], ...] = field(repr=False)
