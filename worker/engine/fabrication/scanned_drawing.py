"""A very large Gerber file, drawn from its own text by our own hand: quick enough for all of it, where a proof samples.

Objects are painted in the file's order and polarity. A pixel belongs to an area if its centre does, and a centre on a
line to what lies right of it: the rule of `as_written`, in whole nanometres, so both give the same pixels everywhere.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.contours import Bytes
from worker.engine.fabrication.gerber_sampling import (
    AREA,
    ROUND,
    STATE,
    Boxes,
    ScannedGerber,
    is_region_code,
    operation,
)
from worker.engine.fabrication.grid import Grid

_PERCENT, _L, _P, _DARK = 37, 76, 80, 68


def draw_scanned(scanned: ScannedGerber, grid: Grid, out: npt.NDArray[np.uint8], first: int, bit: int) -> None:
    """Set a bit of `out`, uint8 (rows, W), where a layer is dark in the grid's rows from `first` on."""
    edges = np.zeros((out.shape[0], out.shape[1] + 1), np.uint8)
    _draw(
        scanned.data,
        scanned.kinds,
        scanned.starts,
        scanned.boxes,
        grid.height_nm,
        grid.pitch_nm,
        first,
        edges,
        out,
        np.uint8(bit),
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _draw(
    data: Bytes,
    kinds: Bytes,
    starts: npt.NDArray[np.int64],
    boxes: Boxes,
    height: int,
    pitch: int,
    first: int,
    edges: Bytes,
    out: Bytes,
    bit: np.uint8,
) -> None:
    rows = edges.shape[0]
    high, low = height - first * pitch, height - (first + rows) * pitch  # of the strip, in nm, y upward
    touched = np.empty((rows, 2), np.int64)
    touched[:, 0], touched[:, 1] = edges.shape[1], 0
    dark = True
    for i in range(len(kinds)):
        begin = starts[i]
        if kinds[i] == STATE:
            if data[begin] == _PERCENT and data[begin + 1] == _L and data[begin + 2] == _P:
                now = data[begin + 3] == _DARK
                if now != dark:
                    _paint(edges, touched, out, bit, dark)
                    dark = now
        elif boxes[i, 1] < high and boxes[i, 3] > low:
            if kinds[i] == AREA:
                _area(data, begin + 5, height, pitch, first, edges, touched)
            elif kinds[i] == ROUND:
                _disc(boxes[i], height, pitch, first, edges, touched)
            else:
                top, bottom = height - boxes[i, 3], height - boxes[i, 1]
                _edge(boxes[i, 0], top, boxes[i, 0], bottom, pitch, first, edges, touched)
                _edge(boxes[i, 2], top, boxes[i, 2], bottom, pitch, first, edges, touched)
    _paint(edges, touched, out, bit, dark)


@njit(cache=True, nogil=True, error_model="numpy")
def _area(
    data: Bytes, n: int, height: int, pitch: int, first: int, edges: Bytes, touched: npt.NDArray[np.int64]
) -> None:
    x, y, _, n = operation(data, n)
    while not is_region_code(data, n, 55):
        to_x, to_y, _, n = operation(data, n)
        if y != to_y:
            _edge(x, height - y, to_x, height - to_y, pitch, first, edges, touched)
        x, y = to_x, to_y


@njit(cache=True, nogil=True, error_model="numpy")
def _edge(
    x: int,
    y: int,
    to_x: int,
    to_y: int,
    pitch: int,
    first: int,
    edges: Bytes,
    touched: npt.NDArray[np.int64],
) -> None:
    """In each row whose centre a line crosses (nm, y downward), turn over the first pixel with its centre behind it."""
    if y > to_y:
        x, y, to_x, to_y = to_x, to_y, x, y
    dx, dy = to_x - x, to_y - y
    last = edges.shape[1] - 1
    begin = max(first, -((pitch - 2 * y) // (2 * pitch)))
    past = min(first + edges.shape[0], -((pitch - 2 * to_y) // (2 * pitch)))
    for r in range(begin, past):
        if dx == 0:
            c = -((pitch - 2 * x) // (2 * pitch))
        else:
            crossing = 2 * x * dy + dx * ((2 * r + 1) * pitch - 2 * y)  # by 2 dy
            c = -((pitch * dy - crossing) // (2 * pitch * dy))
        c = min(max(c, 0), last)
        edges[r - first, c] ^= 1
        touched[r - first, 0] = min(touched[r - first, 0], c)
        touched[r - first, 1] = max(touched[r - first, 1], c)


@njit(cache=True, nogil=True, error_model="numpy")
def _disc(
    box: npt.NDArray[np.int64], height: int, pitch: int, first: int, edges: Bytes, touched: npt.NDArray[np.int64]
) -> None:
    """Turn over the first pixels behind both ends of each row's chord."""
    radius, x, y = (box[2] - box[0]) / 2.0, (box[0] + box[2]) / 2.0, height - (box[1] + box[3]) / 2.0
    last = edges.shape[1] - 1
    for r in range(max(first, int(np.floor((y - radius) / pitch))), first + edges.shape[0]):
        off = (r + 0.5) * pitch - y
        if off >= radius:
            break
        if off <= -radius:
            continue
        half = np.sqrt(radius * radius - off * off)
        for end in (x - half, x + half):
            c = min(max(int(np.ceil(end / pitch - 0.5)), 0), last)
            edges[r - first, c] ^= 1
            touched[r - first, 0] = min(touched[r - first, 0], c)
            touched[r - first, 1] = max(touched[r - first, 1], c)


@njit(cache=True, nogil=True, error_model="numpy")
def _paint(edges: Bytes, touched: npt.NDArray[np.int64], out: Bytes, bit: np.uint8, dark: bool) -> None:
    """Paint what lies between the edges, dark or clear, and take the edges away."""
    for r in range(edges.shape[0]):
        inside = np.uint8(0)
        for c in range(touched[r, 0], touched[r, 1] + 1):
            inside ^= edges[r, c]
            edges[r, c] = 0
            if inside and c < out.shape[1]:
                out[r, c] = out[r, c] | bit if dark else out[r, c] & ~bit
        touched[r, 0], touched[r, 1] = edges.shape[1], 0
