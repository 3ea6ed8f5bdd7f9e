"""How long the borders between finishes are.

A border runs along the sides of pixels, and a slanting one along more of them than its length. So each side counts for
as much as it faces across the border: the cosine between the side's normal and the border's, which is the direction in
which the two finishes' pixels lie apart in a small window. (The projection of an element of length; derived.)
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from worker.engine.arrays import Floats, Labels, read_only
from worker.engine.fabrication.planes import Stack
from worker.engine.threads import row_strips, run_all

RADIUS_PX = 3.6
SIGMA_PX = 1.4
"""The window, round about the middle of the side, that a border's direction is taken from, and the sigma of its
Gaussian weights: any window that is less smooth favours some directions."""
_HALO = 5
_STRIP = 256


def _window(across: bool) -> Floats:
    """One half of the window's pixels, the other half mirrors it: row and column from the side's first pixel, and what
    each adds to the direction, downwards and to the right. float64 (n, 4)."""
    reach = math.ceil(RADIUS_PX) + 1
    y, x = (grid.ravel() for grid in np.mgrid[-reach : reach + 1, -reach : reach + 1])
    down, right = (y, x - 0.5) if across else (y - 0.5, x)
    squared = down**2 + right**2
    inside = (squared <= RADIUS_PX**2) & ((right > 0) if across else (down > 0))
    weight = np.exp(squared / (-2.0 * SIGMA_PX**2))
    return np.asarray(np.stack([y, x, weight * down, weight * right], axis=1)[inside])


_ACROSS, _DOWN = _window(True), _window(False)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _sign(labels, y, x, one, other):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    if y < 0 or x < 0 or y >= labels.shape[0] or x >= labels.shape[1]:
        return 0
    label = labels[y, x]
    return (1 if label == one else 0) - (1 if label == other else 0)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _straight(labels, y, x, one, other, across):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Whether the border runs along the pixels as far as the window reaches."""
    height, width = labels.shape
    down, right = (0, 1) if across else (1, 0)
    if y < 3 * right or y + 3 * right >= height or x < 3 * down or x + 3 * down >= width:
        return False
    straight = True
    for k in range(-3, 4):
        yy, xx = y + k * right, x + k * down
        straight &= labels[yy, xx] == one and labels[yy + down, xx + right] == other
    return straight


@njit(cache=True, nogil=True, error_model="numpy")
def _facing(labels, y, x, one, other, across, window):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """How much the side between (y, x) and its right (`across`) or lower neighbour faces across the border."""
    if _straight(labels, y, x, one, other, across):
        return 1.0
    along_x = along_y = 0.0
    down, right = (0, 1) if across else (1, 0)
    for k in range(window.shape[0]):
        dy, dx = np.int64(window[k, 0]), np.int64(window[k, 1])
        sign = _sign(labels, y + dy, x + dx, one, other) - _sign(labels, y + down - dy, x + right - dx, one, other)
        along_y += sign * window[k, 2]
        along_x += sign * window[k, 3]
    if along_x == 0.0 and along_y == 0.0:
        return 1.0
    return abs(along_x if across else along_y) / np.sqrt(along_x * along_x + along_y * along_y)


@njit(cache=True, nogil=True, error_model="numpy")
def _looked_up(stack, table):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    out = np.empty(stack.shape, dtype=np.uint8)
    for y in range(stack.shape[0]):
        for x in range(stack.shape[1]):
            out[y, x] = table[stack[y, x]]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _tally(stack, settled, table, window_across, window_down, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    top = max(0, first - _HALO)
    before = _looked_up(stack[top : last + _HALO], table)
    count = out.shape[0]
    for y in range(first - top, last - top):
        for down in range(2):
            if down and y + 1 >= before.shape[0]:
                continue
            here = before[y]
            there = before[y + 1] if down else before[y, 1:]
            for x in range(there.shape[0]):
                one, other = here[x], there[x]
                if one == other or one >= count or other >= count:
                    continue
                now = table[settled[top + y, x]]
                rim = np.int64(count)
                if now != one:
                    rim = np.int64(now)
                else:
                    now = table[settled[top + y + 1, x] if down else settled[top + y, x + 1]]
                    if now != other:
                        rim = np.int64(now)
                window = window_down if down else window_across
                out[min(one, other), max(one, other), rim] += _facing(before, y, x, one, other, not down, window)


def border_lengths(before: Stack, after: Stack, table: Labels, count: int, *, threads: int = 1) -> Floats:
    """Length in pixels of the borders between the labels of one stack: float64 (count, count, count + 1).

    [i, j, k] with i < j : between labels i and j, where `after` shows k on one of the two sides; k = count where it
    shows what was there before. `table`, uint8 (256,), gives each stack's label; those from `count` on have no borders.
    """
    strips = row_strips(before.shape[0], _STRIP)
    tallies = np.zeros((len(strips), count, count, count + 1))
    calls = [(i, a, b) for i, (a, b) in enumerate(strips)]
    before, after = read_only(before), read_only(after)
    run_all(lambda i, a, b: _tally(before, after, table, _ACROSS, _DOWN, a, b, tallies[i]), calls, threads)
    return np.asarray(tallies.sum(axis=0))
