"""A place for the fab's order number, where it spoils no picture: mask alone, away from legend, openings and edges.

Many fabs print a number on every board, on its face where nothing else is asked for. So the package names a place for
it: at the lower edge of the largest free rectangle, on the side without artwork where there is one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.layer_files import SideName
from worker.engine.fabrication.planes import BOARD, COPPER, HATCHED, LEGEND, OPENING, LayerPlanes

CELL_MM = 0.25
KEPT_CELLS = 2
"""Kept free all round, in cells: half a millimetre."""
WANTED_MM = (12.0, 2.0)
LEAST_MM = (6.0, 1.2)
"""Width and height of the place: ten signs or so of the height that a profile's legend has (common practice, no
source); below the least there is no place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberPlace:
    """The middle of the place (mm, from the grid's lower left or a circuit's own origin, y upward, seen from the top),
    its size, its side."""

    side: SideName
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float

    @property
    def upright(self) -> bool:
        """Whether its text runs along y."""
        return self.height_mm > self.width_mm


def number_place(sides: Mapping[SideName, LayerPlanes], art_side: SideName) -> NumberPlace | None:
    """The place, or None where no side has one.

    `sides` : planes as seen from outside. A side that the profile has no layers for is bare laminate, where nothing can
    be printed. The side without artwork comes first.
    """
    for side in sorted(sides, key=lambda name: name == art_side):
        found = _place_on(sides[side], side)
        if found is not None:
            return found
    return None


def _place_on(planes: LayerPlanes, side: SideName) -> NumberPlace | None:
    free = _free_cells(planes)
    top, left, bottom, right = largest_rectangle(free)
    cell = CELL_MM if free.size else 0.0
    width, height = (right - left) * cell, (bottom - top) * cell
    wanted, least = (WANTED_MM, LEAST_MM) if width >= height else (WANTED_MM[::-1], LEAST_MM[::-1])
    if width < least[0] or height < least[1]:
        return None
    width, height = min(width, wanted[0]), min(height, wanted[1])
    x = (left + right) / 2.0 * cell
    if side == "bottom":
        x = planes.width_px * planes.pitch_um / 1000.0 - x
    y = planes.height_px * planes.pitch_um / 1000.0 - bottom * cell + height / 2.0
    return NumberPlace(side=side, x_mm=round(x, 3), y_mm=round(y, 3), width_mm=width, height_mm=height)


def _free_cells(planes: LayerPlanes) -> npt.NDArray[np.bool_]:
    """bool (h, w): cells of CELL_MM that are board under mask, all with copper or all without, and so all round."""
    edges = [
        np.minimum(np.rint(np.arange(0.0, count * mm + 1e-9, CELL_MM) / mm).astype(np.int64), count)
        for count, mm in ((planes.height_px, planes.pitch_um / 1000.0), (planes.width_px, planes.pitch_um / 1000.0))
    ]
    if min(len(edge) for edge in edges) < 2:
        return np.zeros((0, 0), np.bool_)
    every, some = _cells(planes.stack, edges[0], edges[1])
    wanted = np.uint8(BOARD | LEGEND | OPENING)
    plain = (every & wanted) == BOARD
    plain &= ((some & wanted) == BOARD) & (((every ^ some) & np.uint8(COPPER | HATCHED)) == 0)
    return _eroded(plain, every & np.uint8(COPPER | HATCHED))


@njit(cache=True, nogil=True, error_model="numpy")
def _cells(stack, rows, columns):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Of each cell the bits that all of its pixels have, and those that some have."""
    every = np.full((len(rows) - 1, len(columns) - 1), 255, np.uint8)
    some = np.zeros((len(rows) - 1, len(columns) - 1), np.uint8)
    for i in range(len(rows) - 1):
        for y in range(rows[i], rows[i + 1]):
            for j in range(len(columns) - 1):
                for x in range(columns[j], columns[j + 1]):
                    every[i, j] &= stack[y, x]
                    some[i, j] |= stack[y, x]
    return every, some


def _eroded(plain: npt.NDArray[np.bool_], copper: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    """Cells whose neighbours within KEPT_CELLS are plain too, and alike in copper; beyond the grid nothing is plain."""
    height, width = plain.shape
    marked = np.where(plain, copper + np.uint8(1), np.uint8(0))
    padded = np.pad(marked, KEPT_CELLS)
    out = plain.copy()
    for dy in range(2 * KEPT_CELLS + 1):
        for dx in range(2 * KEPT_CELLS + 1):
            out &= padded[dy : dy + height, dx : dx + width] == marked
    return out


def largest_rectangle(free: npt.NDArray[np.bool_]) -> tuple[int, int, int, int]:
    """Top, left, and past bottom and right, of the largest rectangle of true cells; the first one in reading order."""
    if not free.size:
        return 0, 0, 0, 0
    top, left, bottom, right = _largest(free)
    return int(top), int(left), int(bottom), int(right)


@njit(cache=True, nogil=True, error_model="numpy")
def _largest(free):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Row by row the heights of the columns above, and of these the largest rectangle by a stack of rising heights."""
    height, width = free.shape
    heights = np.zeros(width + 1, np.int64)
    stack = np.zeros(width + 1, np.int64)
    best = (0, 0, 0, 0)
    most = 0
    for row in range(height):
        for column in range(width):
            heights[column] = heights[column] + 1 if free[row, column] else 0
        depth = 0
        for column in range(width + 1):
            while depth > 0 and heights[stack[depth - 1]] >= heights[column]:
                tall = heights[stack[depth - 1]]
                depth -= 1
                left = stack[depth - 1] + 1 if depth > 0 else 0
                if tall * (column - left) > most:
                    most = tall * (column - left)
                    best = (row - tall + 1, left, row + 1, column)
            stack[depth] = column
            depth += 1
    return best
