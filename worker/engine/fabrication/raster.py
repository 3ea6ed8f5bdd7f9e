"""Regions with exact outlines laid on the grid: a pixel belongs to a region if its centre does. No anti-aliasing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Floats
from worker.engine.threads import run_all, shared_strips

Zones = npt.NDArray[np.uint8]
"""uint8 (H, W): one bit for each region."""


def rasterise(
    regions: Sequence[Sequence[Floats]], *, height_px: int, width_px: int, pitch_mm: float, threads: int = 1
) -> Zones:
    """Lay up to eight regions on the grid.

    Parameters
    ----------
    regions : sequence of sequences of float64 (n, 2)
        The rings of each region, in mm from the grid's lower left corner, y upward; inside by the even-odd rule.

    Returns
    -------
    uint8 (H, W), row 0 on top: bit i set where the pixel's centre lies in region i.
    """
    zones = toggled(grid_rings(regions, height_px, pitch_mm), 0, height_px, width_px)
    run_all(_fill, ((zones[first:end],) for first, end in shared_strips(height_px, threads)), threads)
    return zones


GridRings = list[tuple[Floats, Floats, np.uint8, float, float]]
"""Columns and rows of each ring's corners, in pixels from the grid's upper left corner, its region's bit, and the least
and the highest of its rows."""


def grid_rings(regions: Sequence[Sequence[Floats]], height_px: int, pitch_mm: float) -> GridRings:
    """The rings of `rasterise` on the grid."""
    out = []
    for i, rings in enumerate(regions):
        for ring in rings:
            columns, rows = ring[:, 0] / pitch_mm, np.ascontiguousarray(height_px - ring[:, 1] / pitch_mm)
            out.append((np.ascontiguousarray(columns), rows, np.uint8(1 << i), float(rows.min()), float(rows.max())))
    return out


def toggled(rings: GridRings, first: int, last: int, width_px: int) -> Zones:
    """Rows first..last of the grid: bits set where a row enters or leaves a region, from the left."""
    zones = np.zeros((last - first, width_px), dtype=np.uint8)
    for columns, rows, bit, top, bottom in rings:
        if top <= last and bottom >= first:  # a board's holes lie in few strips each
            _toggle(columns, rows, bit, first, zones)
    return zones


@njit(cache=True, nogil=True, error_model="numpy")
def _toggle(columns, rows, bit, top, zones):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Mark, in every row from `top` on, the first pixel whose centre is past each crossing of the ring."""
    height, width = zones.shape
    for i in range(len(rows)):
        x0, y0, x1, y1 = columns[i - 1], rows[i - 1], columns[i], rows[i]
        if y0 > y1:
            x0, y0, x1, y1 = x1, y1, x0, y0
        first = max(np.int64(top), np.int64(np.ceil(y0 - 0.5)))
        past = min(np.int64(top + height), np.int64(np.ceil(y1 - 0.5)))
        for row in range(first, past):
            crossing = x0 + (x1 - x0) * ((row + 0.5 - y0) / (y1 - y0))
            column = max(np.int64(0), np.int64(np.ceil(crossing - 0.5)))
            if column < width:
                zones[row - top, column] ^= bit


@njit(cache=True, nogil=True, error_model="numpy")
def _fill(zones):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for row in range(zones.shape[0]):
        inside = np.uint8(0)
        for column in range(zones.shape[1]):
            inside ^= zones[row, column]
            zones[row, column] = inside
