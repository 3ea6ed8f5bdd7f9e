"""The highest S-CIELAB difference, pixel by pixel around the highest blocks.

The score looks at blocks of a few pixels, which is enough for means and percentiles. The one highest pixel lies where
CIEDE2000 is steep, beside black or between opposite hues, and there the little that block averages let through from
above the blocks' own sampling rate moves it by several units. So around the highest blocks the narrowest Gaussian of
every channel, the only one that a pixel can matter to, is applied to the pixels themselves; what the wider ones pass
is smooth and is interpolated between the blocks. Where a block is many pixels wide, as on a small board seen from far
away, cells of a few pixels do for pixels: the eye tells what lies inside them even less apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import OUTSIDE, Float32s, Floats, Labels, Srgb, read_only
from worker.engine.colorimetry import D65_WHITE, LINEAR_RGB_TO_XYZ, SRGB_TO_LINEAR, xyz_to_lab
from worker.engine.difference import ciede2000
from worker.engine.palette.hull import (
    FIELD,
    FIELD_HALF,
    FIELD_MASK,
    FINE_OFFSETS,
    FINE_WEIGHTS,
    ONE,
    PACKED_HALF,
    Packed,
    interpolate_finely,
)
from worker.engine.threads import run_all
from worker.engine.vision import GAUSSIANS, XYZ_TO_OPPONENT, SeenPicture, block_variance, gaussian_taps

PLACES = 64
"""How many of the highest blocks are looked into. In 23 of 24 separations of photographs the highest pixel lay among
the 36 highest; in one, on a plateau, in the 231st, which cost 0.2."""
LOW = 0.75
"""Blocks below this part of the highest one are left out."""
CELLS = 6
"""A block is looked into in so many cells a side, or a few more, and pixel by pixel where it has fewer than twice that.
Their pixels lie at 480 to a degree or more, where the narrowest Gaussian passes nothing."""
_BEFORE, _AFTER = 2, 3
_SPAN = _BEFORE + 1 + _AFTER

_RGB_TO_OPPONENT: Floats = XYZ_TO_OPPONENT @ LINEAR_RGB_TO_XYZ
_XYZ_TO_OPPONENT: Floats = XYZ_TO_OPPONENT
_SEEN_TO_OPPONENT: Floats = XYZ_TO_OPPONENT * D65_WHITE
_NARROWEST = [min(channel, key=lambda gaussian: gaussian[1]) for channel in GAUSSIANS]
_SHARES: Floats = np.array([_NARROWEST[i][0] / sum(w for w, _ in GAUSSIANS[i]) for i in range(3)])

Kind = Literal["artwork", "board", "projected"]
KINDS: tuple[Kind, ...] = ("artwork", "board", "projected")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sight:
    """One of the pictures compared: at its pixels, averaged over blocks, and as the eye sees the blocks.

    srgb : uint8 (H, W, 3). labels : uint8 (H, W). finish_rgb : float64 (n, 3), linear sRGB.
    averages : float32 (3, h, w), XYZ with Y of white 1. cells : float32 (3, m, n), the same of the cells of
    `cell_side`, empty where those are pixels.
    """

    kind: Kind
    srgb: Srgb
    labels: Labels
    finish_rgb: Floats
    hull: Packed
    averages: Float32s
    cells: Float32s
    seen: SeenPicture


def cell_side(step: int) -> int:
    """Side in pixels of the cells that blocks of this side are looked into."""
    return max(1, step // CELLS)


def highest_pixel(
    one: Sight, two: Sight, error: Float32s, highest: float, *, full_ppd: float, step: int, threads: int = 1
) -> float:
    """The highest S-CIELAB difference between two pictures, at the pixels of the highest blocks on the board.

    Parameters
    ----------
    error : float32 (h, w)
        S-CIELAB of the blocks.
    highest : float
        That of the highest block on the board.
    full_ppd : float
        Pixels per degree of the pictures themselves.
    """
    if step == 1:
        return highest
    eye = _Eye.of(full_ppd, step)
    peaks = np.zeros(PLACES)

    def work(i: int, index: int) -> None:
        row, column = divmod(index, error.shape[1])
        labs = [xyz_to_lab(np.maximum(eye.light(sight, row, column), 0.0), D65_WHITE) for sight in (one, two)]
        rows, columns = (np.array(eye.cells(place)) * eye.cell_px for place in (row, column))
        on_board = (
            one.labels[rows[0] : rows[-1] + 1 : eye.cell_px, columns[0] : columns[-1] + 1 : eye.cell_px] != OUTSIDE
        )
        found = ciede2000(*labs)[: on_board.shape[0], : on_board.shape[1]]
        peaks[i] = found[on_board].max(initial=0.0)

    run_all(work, list(enumerate(_highest_blocks(error, highest, one.labels, step))), threads)
    return float(peaks.max())


def _highest_blocks(error: Float32s, highest: float, labels: Labels, step: int) -> list[int]:
    flat = error.ravel()
    high = np.flatnonzero(flat >= LOW * highest)
    chosen: list[int] = []
    for index in high[np.argsort(-flat[high], kind="stable")].tolist():
        row, column = divmod(index, error.shape[1])
        if (labels[row * step : (row + 1) * step, column * step : (column + 1) * step] != OUTSIDE).any():
            chosen.append(index)
        if len(chosen) == PLACES:
            break
    return chosen


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Eye:
    """What does not depend on the place.

    kernels : float64 (2, 3, n), the narrowest Gaussian of each channel, in blocks and in cells. reaches : int64
    (2, 3), how many taps each has to either side.
    """

    step: int
    cell_px: int
    kernels: Floats
    reaches: npt.NDArray[np.int64]

    @classmethod
    def of(cls, full_ppd: float, step: int) -> _Eye:
        """The eye for pixels of this resolution and blocks of this side."""
        cell_px = cell_side(step)
        sigmas = [s / math.sqrt(2.0) * full_ppd for _, s in _NARROWEST]
        halves = [
            [gaussian_taps(block_variance(sigma / step, step)) for sigma in sigmas],
            [gaussian_taps(block_variance(sigma / cell_px, cell_px)) for sigma in sigmas],
        ]
        reaches = np.array([[len(half) - 1 for half in row] for row in halves])
        kernels = np.zeros((2, 3, 2 * reaches.max() + 1))
        for i, row in enumerate(halves):
            for channel, half in enumerate(row):
                kernels[i, channel, : 2 * len(half) - 1] = np.concatenate([half[:0:-1], half])
        return cls(step=step, cell_px=cell_px, kernels=kernels, reaches=reaches)

    def cells(self, index: int) -> range:
        """The cells of one row, or column, of blocks. All have as many, so the last may begin in the next block."""
        first = index * self.step // self.cell_px
        return range(first, first + math.ceil((self.step - 1) / self.cell_px) + 1)

    def between(self, index: int, cells: range) -> Floats:
        """float64 (cells, 6): weights of six blocks at each cell; `index` is the third of them."""
        return _between(self.step, self.cell_px, cells[0] * self.cell_px - index * self.step, len(cells))

    def light(self, sight: Sight, row: int, column: int) -> Floats:
        """XYZ, Y of white 1, that the eye sees in the cells of one block: float64 (cells, cells, 3)."""
        rows, columns = self.cells(row), self.cells(column)
        out = np.empty((3, len(rows), len(columns)))
        _look(
            read_only(sight.srgb),
            read_only(sight.labels),
            KINDS.index(sight.kind),
            SRGB_TO_LINEAR,
            sight.finish_rgb,
            sight.hull,
            FINE_WEIGHTS,
            FINE_OFFSETS,
            sight.averages,
            sight.seen.light,
            self.kernels,
            self.reaches,
            row,
            column,
            sight.cells,
            rows[0],
            columns[0],
            np.stack([self.between(row, rows), self.between(column, columns)]),
            out,
        )
        return np.asarray(np.moveaxis(out, 0, -1) @ np.linalg.inv(XYZ_TO_OPPONENT).T)


@njit(cache=True, nogil=True, error_model="numpy")
def _filter(window, taps, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Filter the middle of a square window (side, side), as far as `out` reaches, both ways."""
    side, size = window.shape[0], out.shape[0]
    reach = len(taps) // 2
    margin = (side - size) // 2
    across = np.empty((side, size))
    for y in range(margin - reach, margin + size + reach):
        for x in range(size):
            total = 0.0
            for k in range(2 * reach + 1):
                total += taps[k] * window[y, margin + x - reach + k]
            across[y, x] = total
    for y in range(size):
        for x in range(size):
            total = 0.0
            for k in range(2 * reach + 1):
                total += taps[k] * across[margin + y - reach + k, x]
            out[y, x] = total


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _mirrored(index, length):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    inside = index % (2 * length)
    return inside if inside < length else 2 * length - 1 - inside


@njit(cache=True, nogil=True, error_model="numpy")
def _linear_window(  # type: ignore[no-untyped-def]
    srgb, labels, kind, to_linear, finish_rgb, hull, weights, offsets, top, left, window
):  # pragma: no cover - compiled
    """Linear sRGB of a square of pixels of one picture, mirrored beyond its edges, into window (3, side, side)."""
    height, width = labels.shape
    for i in range(window.shape[1]):
        y = _mirrored(top + i, height)
        for j in range(window.shape[1]):
            x = _mirrored(left + j, width)
            label = labels[y, x]
            if kind == 0 or label == OUTSIDE:
                for c in range(3):
                    window[c, i, j] = to_linear[srgb[y, x, c]]
            elif kind == 1:
                for c in range(3):
                    window[c, i, j] = finish_rgb[label, c]
            else:
                packed = PACKED_HALF + interpolate_finely(
                    np.int64(srgb[y, x, 0]), np.int64(srgb[y, x, 1]), np.int64(srgb[y, x, 2]), hull, weights, offsets
                )
                for c in range(3):
                    window[c, i, j] = (((packed >> (FIELD * c)) & FIELD_MASK) - FIELD_HALF) / (16.0 * ONE)


@njit(cache=True, nogil=True, error_model="numpy")
def _turned(planes, matrix):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Three planes through a matrix."""
    out = np.empty(planes.shape)
    for i in range(3):
        for y in range(planes.shape[1]):
            for x in range(planes.shape[2]):
                one, two, three = planes[0, y, x], planes[1, y, x], planes[2, y, x]
                out[i, y, x] = matrix[i, 0] * one + matrix[i, 1] * two + matrix[i, 2] * three
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _block_window(planes, top, left, side):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A square of blocks, mirrored beyond the picture: float64 (3, side, side)."""
    height, width = planes.shape[1:]
    window = np.empty((3, side, side))
    for c in range(3):
        for i in range(side):
            for j in range(side):
                window[c, i, j] = planes[c, _mirrored(top + i, height), _mirrored(left + j, width)]
    return window


@njit(cache=True, nogil=True, error_model="numpy")
def _look(  # type: ignore[no-untyped-def]
    srgb,
    labels,
    kind,
    to_linear,
    finish_rgb,
    hull,
    weights,
    offsets,
    averages,
    light,
    kernels,
    reaches,
    row,
    column,
    cells,
    top,
    left,
    between,
    out,
):  # pragma: no cover - compiled
    """Opponent light in the cells of one block: the narrowest Gaussian of the cells, and the rest of the blocks.

    The cells are pixels where `cells` is empty; `top` and `left` is the first of the block.
    """
    coarse = max(reaches[0, 0], reaches[0, 1], reaches[0, 2])
    fine = max(reaches[1, 0], reaches[1, 1], reaches[1, 2])

    # The blocks around, less what the narrowest Gaussian gave them.
    rest = _turned(_block_window(light, row - _BEFORE, column - _BEFORE, np.int64(_SPAN)), _SEEN_TO_OPPONENT)
    around = _block_window(averages, row - _BEFORE - coarse, column - _BEFORE - coarse, _SPAN + 2 * coarse)
    around = _turned(around, _XYZ_TO_OPPONENT)
    narrow = np.empty((_SPAN, _SPAN))
    for c in range(3):
        _filter(around[c], kernels[0, c, : 2 * reaches[0, c] + 1], narrow)
        for i in range(_SPAN):
            for j in range(_SPAN):
                rest[c, i, j] -= _SHARES[c] * narrow[i, j]

    side = out.shape[1] + 2 * fine
    if cells.shape[1] == 0:
        window = np.empty((3, side, side))
        _linear_window(
            srgb, labels, kind, to_linear, finish_rgb, hull, weights, offsets, top - fine, left - fine, window
        )
        window = _turned(window, _RGB_TO_OPPONENT)
    else:
        window = _turned(_block_window(cells, top - fine, left - fine, side), _XYZ_TO_OPPONENT)
    for c in range(3):
        _filter(window[c], kernels[1, c, : 2 * reaches[1, c] + 1], out[c])
        for y in range(out.shape[1]):
            for x in range(out.shape[1]):
                total = 0.0
                for i in range(_SPAN):
                    for j in range(_SPAN):
                        total += between[0, y, i] * between[1, x, j] * rest[c, i, j]
                out[c, y, x] = _SHARES[c] * out[c, y, x] + total


@lru_cache(maxsize=256)
def _between(step: int, cell_px: int, first_px: int, count: int) -> Floats:
    """float64 (count, 6): weights of the blocks at -2..3 at each cell, the first of which begins at this pixel."""
    return _lagrange((first_px + (np.arange(count) + 0.5) * cell_px) / step - 0.5)


def _lagrange(offsets: Floats) -> Floats:
    """Weights (n, 6) of the blocks at -2..3 for a value at each offset from block 0."""
    nodes = np.arange(-_BEFORE, _AFTER + 1)
    weights = np.ones((len(offsets), len(nodes)))
    for i, node in enumerate(nodes):
        for other in nodes:
            if other != node:
                weights[:, i] *= (offsets - other) / (node - other)
    return weights
