"""Cells: the squares of pixels that a dither decides as one, no smaller than the smallest feature."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import OUTSIDE, Labels, Srgb, read_only
from worker.engine.colorimetry import LINEAR_TO_SRGB, SRGB_TO_LINEAR
from worker.engine.separation.fours import gap_finishes
from worker.engine.threads import row_strips, run_all
from worker.fab_profile import FabProfile

FREE = OUTSIDE


def cell_size_px(fab: FabProfile, active: Sequence[int], pitch_um: float) -> int:
    """Side of a cell in pixels: no less than the smallest feature of any finish in use, nor than legend's clearance.

    Nor than half of the gap between bare metal parts, where two cells of bare laminate may stand between them.
    """
    wanted = [fab.finishes[i].smallest_feature_mm for i in active]
    if any(fab.finishes[i].recipe.legend for i in active) and any(fab.finishes[i].recipe.mask_opening for i in active):
        wanted.append(fab.limits["legend", "clearance_mm"].value_mm)
    if all(gap_finishes(fab, active)):
        wanted.append(fab.limits["copper", "metal_gap_mm"].value_mm / 2.0)
    return max(1, math.ceil(max(wanted) * 1000.0 / pitch_um - 1e-9))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """The cells of a picture.

    srgb : uint8 (h, w, 3), mean colour in linear light, encoded. allowed : uint32 (h, w), finishes allowed at every
    pixel. decided : uint8 (h, w), the finish of cells that are decided, FREE elsewhere. wanted : uint8 (h, w), the
    finish of cells that are pinned, FREE elsewhere.
    """

    srgb: Srgb
    allowed: npt.NDArray[np.uint32]
    decided: Labels
    wanted: Labels

    @property
    def restricted(self) -> bool:
        return bool((self.decided != FREE).any() or (self.wanted != FREE).any() or (self.allowed != 0xFFFFFFFF).any())

    def renumbered(self, known: Sequence[int]) -> Cells:
        """The same with finishes numbered by their place in `known`; all others are not allowed."""
        number = np.full(256, FREE, dtype=np.uint8)
        number[list(known)] = np.arange(len(known))
        allowed = np.zeros_like(self.allowed)
        for place, finish in enumerate(known):
            allowed |= ((self.allowed >> np.uint32(finish)) & np.uint32(1)) << np.uint32(place)
        return Cells(srgb=self.srgb, allowed=allowed, decided=number[self.decided], wanted=number[self.wanted])


def cell_edges(length: int, size: int) -> npt.NDArray[np.int64]:
    """Where cells begin, and the end: int64 (n + 1,). What is left over widens the last cell, never a thin one."""
    count = max(1, length // size)
    edges = np.arange(count + 1) * size
    edges[-1] = length
    return edges


@njit(cache=True, nogil=True, error_model="numpy")
def _gather(  # type: ignore[no-untyped-def]
    srgb,
    rows,
    columns,
    first,
    last,
    to_linear,
    encoded,
    decided_px,
    use_decided,
    wanted_px,
    use_wanted,
    allowed_px,
    use_allowed,
    out,
    allowed,
    decided,
    wanted,
):  # pragma: no cover - compiled
    levels = encoded.shape[0] - 1
    fixed = np.zeros(256, dtype=np.int64)
    pinned = np.zeros(256, dtype=np.int64)
    for i in range(first, last):
        for j in range(columns.shape[0] - 1):
            red = green = blue = np.float32(0.0)
            count = free = 0
            bits = np.uint32(0xFFFFFFFF)
            if use_decided:
                fixed[:] = 0
            if use_wanted:
                pinned[:] = 0
            for y in range(rows[i], rows[i + 1]):
                for x in range(columns[j], columns[j + 1]):
                    count += 1
                    if use_decided:
                        fixed[decided_px[y, x]] += 1
                        if decided_px[y, x] != FREE:
                            continue
                    free += 1
                    if use_wanted:
                        pinned[wanted_px[y, x]] += 1
                    if use_allowed:
                        bits &= allowed_px[y, x]
                    red += to_linear[srgb[y, x, 0]]
                    green += to_linear[srgb[y, x, 1]]
                    blue += to_linear[srgb[y, x, 2]]
            scale = np.float32(levels) / np.float32(max(free, 1))
            out[i, j, 0] = encoded[np.int64(red * scale + np.float32(0.5))]
            out[i, j, 1] = encoded[np.int64(green * scale + np.float32(0.5))]
            out[i, j, 2] = encoded[np.int64(blue * scale + np.float32(0.5))]
            allowed[i, j] = bits
            decided[i, j] = FREE
            wanted[i, j] = FREE
            if use_decided and free < count:
                best = 0
                for k in range(FREE):
                    if fixed[k] > fixed[best]:
                        best = k
                decided[i, j] = best
            if use_wanted:
                for k in range(FREE):
                    if 2 * pinned[k] >= count:
                        wanted[i, j] = k


def gather_cells(
    srgb: Srgb,
    size: int,
    *,
    decided: Labels | None,
    wanted: Labels | None,
    allowed: npt.NDArray[np.uint32] | None,
    threads: int = 1,
) -> Cells:
    """The cells of a picture of `size` by `size` pixels each.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), C-contiguous, encoded sRGB
    decided : uint8 (H, W) or None
        Finish of pixels that are decided, transparent or frozen; FREE elsewhere. One such pixel decides its cell, for
        the finish of most of them.
    wanted : uint8 (H, W) or None
        Finish of pinned pixels; FREE elsewhere. A cell is pinned where half of it is.
    """
    height, width = srgb.shape[:2]
    rows, columns = cell_edges(height, size), cell_edges(width, size)
    shape = (len(rows) - 1, len(columns) - 1)
    out = np.empty((*shape, 3), dtype=np.uint8)
    cell_allowed = np.empty(shape, dtype=np.uint32)
    cell_decided, cell_wanted = np.empty(shape, dtype=np.uint8), np.empty(shape, dtype=np.uint8)
    none8, none32 = np.zeros((1, 1), dtype=np.uint8), np.zeros((1, 1), dtype=np.uint32)
    srgb = read_only(srgb)
    run_all(
        lambda a, b: _gather(
            srgb,
            rows,
            columns,
            a,
            b,
            SRGB_TO_LINEAR,
            LINEAR_TO_SRGB,
            none8 if decided is None else decided,
            decided is not None,
            none8 if wanted is None else wanted,
            wanted is not None,
            none32 if allowed is None else allowed,
            allowed is not None,
            out,
            cell_allowed,
            cell_decided,
            cell_wanted,
        ),
        row_strips(shape[0], 16),
        threads,
    )
    return Cells(srgb=out, allowed=cell_allowed, decided=cell_decided, wanted=cell_wanted)


@njit(cache=True, nogil=True, error_model="numpy")
def _spread(cells, rows, columns, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for i in range(first, last):
        row = out[rows[i]]
        for j in range(columns.shape[0] - 1):
            row[columns[j] : columns[j + 1]] = cells[i, j]
        for y in range(rows[i] + 1, rows[i + 1]):
            out[y] = row


def spread_cells(cells: Labels, height: int, width: int, size: int, *, threads: int = 1) -> Labels:
    """Each cell's label at all its pixels: uint8 (height, width)."""
    rows, columns = cell_edges(height, size), cell_edges(width, size)
    out = np.empty((height, width), dtype=np.uint8)
    cells = read_only(cells)
    run_all(lambda a, b: _spread(cells, rows, columns, a, b, out), row_strips(cells.shape[0], 16), threads)
    return out
