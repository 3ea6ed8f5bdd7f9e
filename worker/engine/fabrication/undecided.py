"""Pixels whose centre lies on a contour, where two ways of drawing may rightly differ.

A straight line through pixels' centres is common: the chord of a staircase at 45 degrees runs through all of them. A
renderer rounds such lines to a fraction of a pixel, resvg to a sixty-fourth, so what such pixels show says nothing.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Floats

SLACK_PX = 1.0 / 32.0
"""Ends of lines are rounded to 1/64 px along each axis (resvg, as seen), and what lies between them with them."""


def undecided_pixels(points: Floats, starts: npt.NDArray[np.int64], shape: tuple[int, int]) -> npt.NDArray[np.bool_]:
    """bool (height, width): pixels whose centre is at most SLACK_PX from a side of an area, along x or along y.

    `points` : float64 (P, 2), x and y in pixels, y downward. `starts` : int64 (R + 1,), where each area begins.
    """
    out = np.zeros(shape, np.bool_)
    _mark(points, starts, out)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _mark(points: Floats, starts: npt.NDArray[np.int64], out: npt.NDArray[np.bool_]) -> None:
    for area in range(len(starts) - 1):
        first, past = starts[area], starts[area + 1]
        for i in range(first, past):
            k = i + 1 if i + 1 < past else first
            x, y, to_x, to_y = points[i, 0], points[i, 1], points[k, 0], points[k, 1]
            if abs(to_x - x) >= abs(to_y - y):
                _mark_side(x, y, to_x, to_y, out, False)
            else:
                _mark_side(y, x, to_y, to_x, out, True)


@njit(cache=True, nogil=True, error_model="numpy")
def _mark_side(u: float, v: float, to_u: float, to_v: float, out: npt.NDArray[np.bool_], steep: bool) -> None:
    """Walk along u, the longer way: the centre nearest to the line in each column (row, where `steep`)."""
    if u > to_u:
        u, v, to_u, to_v = to_u, to_v, u, v
    if to_u - u < 1e-9:
        return
    long, across = (out.shape[0], out.shape[1]) if steep else (out.shape[1], out.shape[0])
    slope = (to_v - v) / (to_u - u)
    for c in range(max(0, int(np.floor(u - 0.5 - SLACK_PX))), min(long, int(np.ceil(to_u + 0.5 + SLACK_PX)))):
        centre = c + 0.5
        if centre < u - SLACK_PX or centre > to_u + SLACK_PX:
            continue
        there = v + slope * (min(max(centre, u), to_u) - u)
        r = int(np.floor(there))
        if 0 <= r < across and abs(there - (r + 0.5)) <= SLACK_PX:
            if steep:
                out[c, r] = True
            else:
                out[r, c] = True
