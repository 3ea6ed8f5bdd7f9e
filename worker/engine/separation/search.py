"""Direct search: dots are changed and exchanged, under the layer rules, as long as the eye sees less error by it.

A dither decides each cell once, by what was decided before it. The search looks at its outcome as S-CIELAB does, from
the viewing distance, and tries for each cell every other finish, and an exchange with each neighbour, that the layer
rules let stand; the best of them is kept where it lowers the sum of squared CIEDE2000 between artwork and board, both
as the eye's channels pass them. It needs no hull, and so no target: it goes for the artwork's own colours.

Source: direct binary search, after Analoui and Allebach, "Model-based halftoning using direct binary search",
Proceedings of SPIE 1666 (1992); here with many finishes, S-CIELAB's channels as the model of the eye (Zhang and
Wandell, see `vision`), CIEDE2000 in place of squared light, and layer rules that a trial must obey.

A trial is exact within a window of a few cells, where the eye's narrow kernels lie. What its wide kernels carry
beyond is taken at its first order, from the gradient of the whole error, and computed anew for each quarter of the
tiles. Tiles of one quarter lie so far apart that none sees another's changes: so the outcome is the same on any number
of threads.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Floats, Labels, Srgb
from worker.engine.colorimetry import D65_WHITE, LINEAR_RGB_TO_XYZ, SRGB_TO_LINEAR
from worker.engine.separation.restricted import fits
from worker.engine.separation.seen_error import slopes, true_error, weigh, window_error
from worker.engine.threads import row_strips, run_all
from worker.engine.vision import GAUSSIANS, XYZ_TO_OPPONENT, filter_channel, see

_TO_RATIOS: Float32s = (np.linalg.inv(XYZ_TO_OPPONENT) / D65_WHITE[:, None]).astype(np.float32)
"""Opponent channels to XYZ over the white."""
MOST_CELLS_PER_DEGREE = 60.0
"""From farther away, dots are judged as if seen from where so many make a degree: finer ones are hardly seen at all."""
_TILE = 16
"""At least twice a trial's reach and one, so that tiles of one quarter don't touch the same cells."""
_MOST_ROUNDS = 6
_SETTLED = 0.01
"""Of the cells, so many changes in a round are the last worth another."""
_EXCHANGES = np.array([(0, 1), (1, 0), (1, -1), (1, 1)], dtype=np.int64)
_GAIN = np.float32(1e-2)
_REACH_SIGMAS = 2.0


def reach_of(cells_per_degree: float) -> int:
    """How far a trial looks, in cells."""
    return max(2, math.ceil(_REACH_SIGMAS * _narrow_sigma(2, cells_per_degree)))


def _narrow_sigma(channel: int, cells_per_degree: float) -> float:
    return GAUSSIANS[channel][0][1] / math.sqrt(2.0) * cells_per_degree


def _narrow_taps(channel: int, cells_per_degree: float, reach: int) -> Floats:
    """A channel's narrowest Gaussian over cells, cut off at the reach; float64 (2 reach + 1,), of sum 1."""
    scale = _narrow_sigma(channel, cells_per_degree) * math.sqrt(2.0)
    edges = np.array([math.erf((i - 0.5) / scale) for i in range(-reach, reach + 2)])
    taps = np.diff(edges)
    return np.asarray(taps / taps.sum())


def _share(channel: int) -> float:
    return GAUSSIANS[channel][0][0] / sum(weight for weight, _ in GAUSSIANS[channel])


def _moves(cells_per_degree: float, reach: int) -> Float32s:
    """What a change of 1 in a channel does to a window around it: float32 (1 + exchanges, 3, rows * columns).

    The window has 2 reach + 2 rows from `reach` above, and 2 reach + 3 columns from reach + 1 to the left. First the
    change of one cell, then its exchange with each neighbour of _EXCHANGES.
    """
    rows, columns = 2 * reach + 2, 2 * reach + 3
    out = np.zeros((1 + len(_EXCHANGES), 3, rows, columns))
    for channel in range(3):
        taps = _narrow_taps(channel, cells_per_degree, reach)
        kernel = _share(channel) * np.outer(taps, taps)
        side = 2 * reach + 1
        out[:, channel, :side, 1 : 1 + side] = kernel
        for i, (down, right) in enumerate(_EXCHANGES):
            out[1 + i, channel, down : down + side, 1 + right : 1 + right + side] -= kernel
    flat = out.reshape(len(out), 3, -1)
    return np.pad(flat, [(0, 0), (0, 0), (0, -flat.shape[2] % 16)]).astype(np.float32)


def _narrow(plane: Float32s, channel: int, cells_per_degree: float, reach: int) -> Float32s:
    """The narrow part of a channel's filter, as `_moves` holds it."""
    taps = _narrow_taps(channel, cells_per_degree, reach).astype(np.float32)
    for axis in (0, 1):
        padded = np.pad(plane, [(reach, reach) if i == axis else (0, 0) for i in (0, 1)], mode="symmetric")
        length = plane.shape[axis]
        plane = sum(
            tap * (padded[i : i + length] if axis == 0 else padded[:, i : i + length]) for i, tap in enumerate(taps)
        )
    return plane * np.float32(_share(channel))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _exchange_fits(labels, square, y, x, yy, xx):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    one, two = labels[y, x], labels[yy, xx]
    labels[y, x], labels[yy, xx] = two, one
    may = fits(labels, square, y, x, two) and fits(labels, square, yy, xx, one)
    labels[y, x], labels[yy, xx] = one, two
    return may


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _add(seen, moves, reach, y, x, d_0, d_1, d_2):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """What a changed cell does to what is seen around it."""
    columns = 2 * reach + 3
    for v in range(max(y - reach, 0), min(y + reach + 1, seen.shape[1])):
        for u in range(max(x - reach, 0), min(x + reach + 1, seen.shape[2])):
            i = (v - y + reach) * columns + u - x + reach + 1
            seen[0, v, u] += d_0 * moves[0, 0, i]
            seen[1, v, u] += d_1 * moves[0, 1, i]
            seen[2, v, u] += d_2 * moves[0, 2, i]


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _padded(length):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A length of whole groups of places that run abreast."""
    return (length + 15) // 16 * 16


@njit(cache=True, nogil=True, error_model="numpy")
def _search_tile(  # type: ignore[no-untyped-def]
    labels,
    square,
    finishes,
    allowed,
    seen,
    art,
    aims,
    weights,
    slope,
    moves,
    reach,
    m,
    exchanges,
    top,
    bottom,
    left,
    right,
    changes,
    at,
):  # pragma: no cover - compiled
    """Try all cells of a tile; counts what was changed in changes[at]. `labels` has one cell around it."""
    height, width = allowed.shape
    rows, columns = 2 * reach + 2, 2 * reach + 3
    part, whole = _padded((rows - 1) * columns), _padded(rows * columns)
    around = np.zeros((3, whole), dtype=np.float32)
    wanted = np.zeros((3, whole), dtype=np.float32)
    weighed = np.zeros((4, whole), dtype=np.float32)
    light = np.empty((3, whole), dtype=np.float32)
    f = np.empty((4, whole), dtype=np.float32)
    true = np.zeros((4, whole), dtype=np.float32)
    squared = np.empty(whole, dtype=np.float32)
    counted = np.zeros(whole, dtype=np.float32)
    zero = np.float32(0.0)
    count = 0
    for y in range(top, bottom):
        for x in range(left, right):
            old = labels[y + 1, x + 1]
            if allowed[y, x] == 0:
                continue
            i = 0
            for v in range(y - reach, y + reach + 2):
                for u in range(x - reach - 1, x + reach + 2):
                    if 0 <= v < height and 0 <= u < width:
                        for k in range(3):
                            around[k, i] = seen[k, v, u]
                            wanted[k, i] = aims[k, v, u]
                        for k in range(4):
                            weighed[k, i] = weights[k, v, u]
                    else:
                        for k in range(4):
                            weighed[k, i] = zero
                    i += 1
            before = window_error(around, wanted, weighed, moves[0], part, zero, zero, zero, m, light, f)
            best, label, to_y, to_x = -_GAIN, -1, -1, -1
            for candidate in range(finishes.shape[0]):
                if candidate == old or not (allowed[y, x] >> np.uint32(candidate)) & 1:
                    continue
                if not fits(labels, square, y + 1, x + 1, candidate):
                    continue
                d_0 = finishes[candidate, 0] - finishes[old, 0]
                d_1 = finishes[candidate, 1] - finishes[old, 1]
                d_2 = finishes[candidate, 2] - finishes[old, 2]
                gain = window_error(around, wanted, weighed, moves[0], part, d_0, d_1, d_2, m, light, f) - before
                gain += d_0 * slope[0, y, x] + d_1 * slope[1, y, x] + d_2 * slope[2, y, x]
                if gain < best:
                    best, label, to_y, to_x = gain, candidate, -1, -1
            everywhere = np.float32(-1.0)
            for k in range(exchanges.shape[0]):
                yy, xx = y + exchanges[k, 0], x + exchanges[k, 1]
                if yy >= bottom or xx >= right or xx < left:
                    continue
                other = labels[yy + 1, xx + 1]
                if other == old:
                    continue
                if not (allowed[y, x] >> np.uint32(other)) & 1 or not (allowed[yy, xx] >> np.uint32(old)) & 1:
                    continue
                if not _exchange_fits(labels, square, y + 1, x + 1, yy + 1, xx + 1):
                    continue
                if everywhere < zero:
                    everywhere = window_error(around, wanted, weighed, moves[0], whole, zero, zero, zero, m, light, f)
                d_0 = finishes[other, 0] - finishes[old, 0]
                d_1 = finishes[other, 1] - finishes[old, 1]
                d_2 = finishes[other, 2] - finishes[old, 2]
                gain = (
                    window_error(around, wanted, weighed, moves[1 + k], whole, d_0, d_1, d_2, m, light, f) - everywhere
                )
                gain += d_0 * (slope[0, y, x] - slope[0, yy, xx])
                gain += d_1 * (slope[1, y, x] - slope[1, yy, xx])
                gain += d_2 * (slope[2, y, x] - slope[2, yy, xx])
                if gain < best:
                    best, label, to_y, to_x = gain, other, yy, xx
            if label < 0:
                continue
            d_0 = finishes[label, 0] - finishes[old, 0]
            d_1 = finishes[label, 1] - finishes[old, 1]
            d_2 = finishes[label, 2] - finishes[old, 2]
            i = 0
            for v in range(y - reach, y + reach + 2):
                for u in range(x - reach - 1, x + reach + 2):
                    inside = 0 <= v < height and 0 <= u < width
                    counted[i] = np.float32(1.0) if inside else zero
                    for k in range(4):
                        true[k, i] = art[k, v, u] if inside else zero
                    i += 1
            move = 0
            gain = d_0 * slope[0, y, x] + d_1 * slope[1, y, x] + d_2 * slope[2, y, x]
            if to_y >= 0:
                gain -= d_0 * slope[0, to_y, to_x] + d_1 * slope[1, to_y, to_x] + d_2 * slope[2, to_y, to_x]
                for k in range(exchanges.shape[0]):
                    if to_y == y + exchanges[k, 0] and to_x == x + exchanges[k, 1]:
                        move = 1 + k
            gain += true_error(around, true, counted, moves[move], whole, d_0, d_1, d_2, m, f, squared)
            gain -= true_error(around, true, counted, moves[move], whole, zero, zero, zero, m, f, squared)
            if gain > -_GAIN:
                continue
            count += 1
            labels[y + 1, x + 1] = label
            _add(seen, moves, reach, y, x, d_0, d_1, d_2)
            if to_y >= 0:
                labels[to_y + 1, to_x + 1] = old
                _add(seen, moves, reach, to_y, to_x, -d_0, -d_1, -d_2)
    changes[at] = count


def search(
    cells: Labels,
    art: Srgb,
    linear_rgb: Floats,
    square: npt.NDArray[np.bool_],
    *,
    allowed: npt.NDArray[np.uint32],
    cells_per_degree: float,
    cell_px: int,
    left_out: npt.NDArray[np.bool_] | None = None,
    shown: Srgb | None = None,
    threads: int = 1,
) -> Labels:
    """Cells that the eye tells less from the artwork, under the same layer rules.

    Parameters
    ----------
    cells : uint8 (h, w)
        The finish of each cell, breaking no layer rule.
    art : uint8 (h, w, 3), encoded sRGB
        Mean colour of each cell of the artwork, in linear light.
    linear_rgb : float64 (n, 3)
        Of each finish.
    square : bool (n + 1,) * 4, from `square_rules`
    allowed : uint32 (h, w)
        Bit set of the finishes that may stand at each cell; 0 where it stays as it is.
    cells_per_degree, cell_px : how large a cell is to the eye, and in pixels.
    left_out, shown : bool (h, w) and uint8 (h, w, 3), encoded sRGB, or None
        Cells that no rule asks about, none of which is allowed anything, and what they show.

    Returns
    -------
    uint8 (h, w). The same on any number of threads.
    """
    ppd = min(cells_per_degree, MOST_CELLS_PER_DEGREE)
    reach = reach_of(ppd)
    moves = _moves(ppd, reach)
    height, width = cells.shape
    wanted = see(_xyz_planes(art), working_ppd=ppd, step=cell_px, threads=threads).planes
    finishes = (linear_rgb @ LINEAR_RGB_TO_XYZ.T @ XYZ_TO_OPPONENT.T).astype(np.float32)
    padded = np.full((height + 2, width + 2), len(finishes), dtype=np.uint8)
    padded[1:-1, 1:-1] = cells
    inner = padded[1:-1, 1:-1]
    seen_as = np.vstack([finishes, np.zeros((1, 3), dtype=np.float32)])
    stays = None
    if left_out is not None and shown is not None:
        inner[left_out] = len(finishes)
        stays = np.tensordot(XYZ_TO_OPPONENT.astype(np.float32), _xyz_planes(shown)[:, left_out], axes=1)
    weights = np.empty((4, height, width), dtype=np.float32)
    aims = np.empty((3, height, width), dtype=np.float32)
    for _ in range(_MOST_ROUNDS):
        changed = 0
        for quarter in range(4):
            tiles = _tiles(height, width, quarter)
            if tiles:
                planes = np.ascontiguousarray(np.moveaxis(seen_as[inner], -1, 0))
                if left_out is not None and stays is not None:
                    planes[:, left_out] = stays
                seen = np.stack([filter_channel(planes[i], i, ppd, 1, threads=threads) for i in range(3)])
                if quarter == 0:
                    run_all(
                        lambda a, b: weigh(seen, wanted, _TO_RATIOS, a, b, weights, aims),  # noqa: B023
                        row_strips(height, 32),
                        threads,
                    )
                slope = _beyond(seen, aims, weights, ppd, reach, threads)
                changes = np.zeros(len(tiles), dtype=np.int64)

                def work(at: int, top: int, bottom: int, left: int, right: int) -> None:
                    _search_tile(
                        padded,
                        square,
                        finishes,
                        allowed,
                        seen,  # noqa: B023 - run to the end before the loop goes on
                        wanted,
                        aims,
                        weights,
                        slope,  # noqa: B023
                        moves,
                        reach,
                        _TO_RATIOS,
                        _EXCHANGES,
                        top,
                        bottom,
                        left,
                        right,
                        changes,  # noqa: B023
                        at,
                    )

                run_all(work, [(i, *tile) for i, tile in enumerate(tiles)], threads)
                changed += int(changes.sum())
        if changed <= _SETTLED * height * width:
            break
    if left_out is not None:
        inner[left_out] = 0
    return np.ascontiguousarray(inner)


def _xyz_planes(srgb: Srgb) -> Float32s:
    """XYZ, float32 (3, h, w), Y of white 1."""
    xyz = SRGB_TO_LINEAR[srgb].astype(np.float32) @ LINEAR_RGB_TO_XYZ.T.astype(np.float32)
    return np.ascontiguousarray(np.moveaxis(xyz, -1, 0))


def _tiles(height: int, width: int, quarter: int) -> Sequence[tuple[int, int, int, int]]:
    """Top, bottom, left and right of every second tile in both directions."""
    return [
        (top, min(top + _TILE, height), left, min(left + _TILE, width))
        for top in range(_TILE * (quarter // 2), height, 2 * _TILE)
        for left in range(_TILE * (quarter % 2), width, 2 * _TILE)
    ]


def _beyond(seen: Float32s, aims: Float32s, weights: Float32s, ppd: float, reach: int, threads: int) -> Float32s:
    """How the whole error grows with a change of each cell, by what the eye carries beyond a trial's window."""
    rises = np.empty_like(seen)
    run_all(lambda a, b: slopes(seen, aims, weights, _TO_RATIOS, a, b, rises), row_strips(seen.shape[1], 32), threads)
    parts = [filter_channel(rises[i], i, ppd, 1, threads=threads) - _narrow(rises[i], i, ppd, reach) for i in range(3)]
    return np.stack(parts).astype(np.float32)
