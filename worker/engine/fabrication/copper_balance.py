"""Copper balance: how much of each side is copper, tile by tile, and how far the two sides are apart.

A board with much more copper on one side than on the other bows and twists when it is heated. IPC-6012 limits bow and
twist (0.75 % where parts are surface-mounted, 1.5 % elsewhere), measured by IPC-TM-650, method 2.4.22 (second-hand: the
texts were not opened). No standard limits the balance itself; the figure below is our recommendation, with no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from worker.engine.arrays import Float32s
from worker.engine.fabrication.planes import BOARD, COPPER, LayerPlanes, Stack
from worker.engine.threads import row_strips, run_all

TILE_MM = 10.0
APART_POINTS = 25.0
"""Percentage points between two sides, of all or of one tile, from which the caution is given: a recommendation."""
SMALL_TILE = 0.25
"""Tiles with less board in them than this share of their area are left out."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CopperBalance:
    """Shares of copper, 0 to 1.

    top, bottom : of the board's area. top_tiles, bottom_tiles : float32 (h, w), of each tile of `tile_mm`, seen from
    above, row 0 on top; NaN where there is hardly any board. apart_points : percentage points between the sides.
    worst_tile_points : the same of the tile where they are farthest apart, with its middle, `worst_tile_mm` (x, y
    upward). uneven_points : between the fullest and the emptiest tile of one side, the larger of the two
    sides. caution : None where nothing calls for it.
    """

    top: float
    bottom: float
    top_tiles: Float32s
    bottom_tiles: Float32s
    tile_mm: float
    apart_points: float
    worst_tile_points: float
    worst_tile_mm: tuple[float, float]
    uneven_points: float
    caution: str | None


def copper_balance(
    top: LayerPlanes, bottom: LayerPlanes | None, *, tile_mm: float = TILE_MM, threads: int = 1
) -> CopperBalance:
    """The balance of two sides, each seen from outside; a bottom of None carries no copper."""
    side_px = max(1, round(tile_mm * 1000.0 / top.pitch_um))
    copper, board = _tiles(top.stack, side_px, False, threads)
    if bottom is None:
        below = np.zeros_like(copper)
    else:
        below, _ = _tiles(bottom.stack, side_px, True, threads)
    known = board >= SMALL_TILE * side_px * side_px
    known = known if known.any() else board > 0
    above_tiles, below_tiles = _shares(copper, board, known), _shares(below, board, known)
    difference = np.where(known, np.abs(above_tiles - below_tiles), -1.0)
    row, column = np.unravel_index(int(np.argmax(difference)), difference.shape)
    total = max(1, int(board.sum()))
    shares = int(copper.sum()) / total, int(below.sum()) / total
    apart = 100.0 * abs(shares[0] - shares[1])
    worst = max(0.0, 100.0 * float(difference[row, column]))
    mm = top.pitch_um / 1000.0
    return CopperBalance(
        top=shares[0],
        bottom=shares[1],
        top_tiles=above_tiles,
        bottom_tiles=below_tiles,
        tile_mm=side_px * mm,
        apart_points=apart,
        worst_tile_points=worst,
        worst_tile_mm=(
            float(min((column + 0.5) * side_px, top.width_px)) * mm,
            float(max(top.height_px - (row + 0.5) * side_px, 0.0)) * mm,
        ),
        uneven_points=max(_spread(above_tiles, known), _spread(below_tiles, known)),
        caution=_caution(shares, apart, worst),
    )


def _caution(shares: tuple[float, float], apart: float, worst: float) -> str | None:
    if max(apart, worst) < APART_POINTS:
        return None
    where = f"{apart:.0f} percentage points" if apart >= APART_POINTS else f"up to {worst:.0f} points in one tile"
    return (
        f"Copper covers {100 * shares[0]:.0f} % of the top and {100 * shares[1]:.0f} % of the bottom, {where} apart:"
        " the board may bow and twist. Ask the fab, balance the sides, or hatch large copper. (IPC-6012 limits bow and"
        f" twist, measured by IPC-TM-650 2.4.22; that {APART_POINTS:.0f} points call for a warning is our"
        " recommendation, with no source.)"
    )


def _spread(tiles: Float32s, known: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> float:
    return 100.0 * float(tiles[known].max() - tiles[known].min()) if known.any() else 0.0


def _shares(
    copper: np.ndarray[tuple[int, ...], np.dtype[np.int64]],
    board: np.ndarray[tuple[int, ...], np.dtype[np.int64]],
    known: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
) -> Float32s:
    return np.where(known, copper / np.maximum(board, 1), math.nan).astype(np.float32)


@njit(cache=True, nogil=True, error_model="numpy")
def _count_tiles(stack, side, mirrored, first, last, copper, board):  # type: ignore[no-untyped-def]  # pragma: no cover
    height, width = stack.shape
    for i in range(first, last):
        for y in range(i * side, min((i + 1) * side, height)):
            row = stack[y]
            for k in range(copper.shape[1]):
                low, high = k * side, min((k + 1) * side, width)
                if mirrored:
                    low, high = width - high, width - low
                part = row[low:high]
                metal = under = np.int64(0)
                for x in range(part.shape[0]):
                    metal += part[x] & COPPER
                    under += part[x] >> 7
                copper[i, k] += metal
                board[i, k] += under


assert COPPER == 1 and BOARD == 128  # counted by their values


def _tiles(
    stack: Stack, side_px: int, mirrored: bool, threads: int
) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.int64]], np.ndarray[tuple[int, ...], np.dtype[np.int64]]]:
    """Pixels of copper and of board in each tile; `mirrored`: tiles are counted from the right."""
    shape = (-(-stack.shape[0] // side_px), -(-stack.shape[1] // side_px))
    copper, board = np.zeros(shape, dtype=np.int64), np.zeros(shape, dtype=np.int64)
    run_all(lambda a, b: _count_tiles(stack, side_px, mirrored, a, b, copper, board), row_strips(shape[0], 1), threads)
    return copper, board
