"""Layers that land off their places: what a board shows where mask and legend have shifted against the copper."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from worker.engine.arrays import Labels
from worker.engine.fabrication.border_rule import tolerances_of
from worker.engine.fabrication.planes import BOARD, COPPER, HATCHED, LEGEND, OPENING, LayerPlanes
from worker.engine.fabrication.stack_colours import nearest_finish
from worker.fab_profile import FabProfile

DIRECTIONS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """How far mask and legend landed from the copper, in pixels: (right, down)."""

    solder_mask_px: tuple[int, int]
    legend_px: tuple[int, int]


NOMINAL = Shift(solder_mask_px=(0, 0), legend_px=(0, 0))
"""Everything where it was drawn."""


def directed_shifts(fab: FabProfile, pitch_um: float) -> list[Shift]:
    """The whole tolerance in eight directions, the legend against the mask."""
    tolerances = tolerances_of(fab)
    turns = [math.tau * i / DIRECTIONS for i in range(DIRECTIONS)]
    per_mm = 1000.0 / pitch_um
    return [
        Shift(
            solder_mask_px=_towards(turn, tolerances.solder_mask_mm * per_mm),
            legend_px=_towards(turn + math.pi, tolerances.legend_mm * per_mm),
        )
        for turn in turns
    ]


def drawn_shifts(fab: FabProfile, pitch_um: float, count: int, rng: np.random.Generator) -> list[Shift]:
    """Shifts drawn at random, evenly over the discs of the tolerances, mask and legend apart."""
    tolerances = tolerances_of(fab)
    per_mm = 1000.0 / pitch_um

    def one(most_mm: float) -> tuple[int, int]:
        return _towards(rng.uniform(0.0, math.tau), most_mm * per_mm * math.sqrt(rng.uniform()))

    return [
        Shift(solder_mask_px=one(tolerances.solder_mask_mm), legend_px=one(tolerances.legend_mm)) for _ in range(count)
    ]


def _towards(turn: float, length: float) -> tuple[int, int]:
    """The whole pixel nearest to this vector, but no farther away."""
    x, y = length * math.cos(turn), length * math.sin(turn)
    nearest = round(x), round(y)
    if math.hypot(*nearest) <= length + 1e-9:
        return nearest
    return math.trunc(x + math.copysign(1e-9, x)), math.trunc(y + math.copysign(1e-9, y))


def moved(plane: Labels, shift_px: Sequence[int], *, step: int = 1) -> Labels:
    """A picture moved right and down, or one pixel of every so many, from the middle of each block; what lies at its
    edges goes on beyond them."""
    right, down = shift_px
    height, width = plane.shape
    rows = np.clip(np.arange(min(step // 2, height - 1), height, step) - down, 0, height - 1)
    columns = np.clip(np.arange(min(step // 2, width - 1), width, step) - right, 0, width - 1)
    return np.asarray(plane[rows][:, columns])


def shifted_labels(planes: LayerPlanes, fab: FabProfile, shift: Shift, *, step: int = 1) -> Labels:
    """uint8 (H, W): the finish seen at each pixel, the nearest one of stacks that are none; OUTSIDE off the board.

    step : only one pixel of every so many, along rows and columns.
    """
    stack = moved(planes.stack, (0, 0), step=step) & np.uint8(COPPER | HATCHED | BOARD)
    stack |= moved(planes.stack, shift.solder_mask_px, step=step) & np.uint8(OPENING)
    stack |= moved(planes.stack, shift.legend_px, step=step) & np.uint8(LEGEND)
    return np.asarray(nearest_finish(fab)[stack])
