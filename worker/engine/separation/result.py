"""What the separation room hands on: one finish per pixel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from worker.engine.arrays import FinishMask, Labels
from worker.engine.separation.continuity import Flicker, Previous


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOutMark:
    """A mark that is left out. finish : that it would have. left, top, right, low : its box, in pixels."""

    finish: int
    left: int
    top: int
    right: int
    low: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Separation:
    """One finish per pixel.

    labels : uint8 (H, W), index into the fab profile's finishes; 255 outside the board. Read-only.
    other : the same without clean-up, for a board that takes the better of both; where one was asked for.
    edges : the route taken. reason : why, in a sentence. cell_px : side of a dither cell in pixels, 1 for threshold.
    left_out : marks that a circuit would have torn.
    following, flicker : of a piece of a series; what the next one needs, and how still it stands against the one
    before.
    """

    labels: Labels
    edges: Literal["threshold", "dither"]
    reason: str
    cell_px: int
    warnings: tuple[str, ...]
    left_out: tuple[LeftOutMark, ...] = ()
    other: Labels | None = None
    following: Previous | None = None
    flicker: Flicker | None = None

    def finish_mask(self, finish_index: int) -> FinishMask:
        """bool (H, W): where this finish is."""
        return np.equal(self.labels, finish_index)
