"""Distances from one pixel to the nearest one of a packed plane, found by looking at whole words."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.bit_morphology import Bits
from worker.engine.fabrication.bit_parts import Parts, highest_bit, lowest_bit
from worker.engine.threads import row_strips, run_all

Squares = npt.NDArray[np.int64]

_STRIP = 256


@njit(cache=True, nogil=True, error_model="numpy")
def _to_the_right(row, x, most):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Distance from column x to the nearest set bit of a packed row, x itself or to the right; `most` where none is."""
    place = x >> 6
    word = row[place] >> np.uint64(x & 63)
    if word != np.uint64(0):
        return min(most, lowest_bit(word))
    away = 64 - (x & 63)
    j = place + 1
    while away < most and j < row.shape[0]:
        if row[j] != np.uint64(0):
            return min(most, away + lowest_bit(row[j]))
        away += 64
        j += 1
    return most


@njit(cache=True, nogil=True, error_model="numpy")
def _to_the_left(row, x, most):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The same to the left."""
    place = x >> 6
    word = row[place] << np.uint64(63 - (x & 63))
    if word != np.uint64(0):
        return min(most, 63 - highest_bit(word))
    away = (x & 63) + 1
    j = place - 1
    while away < most and j >= 0:
        if row[j] != np.uint64(0):
            return min(most, away + 63 - highest_bit(row[j]))
        away += 64
        j -= 1
    return most


@njit(cache=True, nogil=True, error_model="numpy")
def squared_distance(plane, y, x, reach, enough):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Squared distance from a pixel to the nearest one of the plane; more than reach^2 where none is in reach.

    enough : as soon as one is as near as this, squared, its distance will do.
    """
    best = reach * reach + 1
    for d in range(reach + 1):
        if d * d >= best or best <= enough:
            break
        for yy in (y - d, y + d):
            if 0 <= yy < plane.shape[0]:
                row = plane[yy]
                across = _to_the_left(row, x, _to_the_right(row, x, reach + 1))
                best = min(best, d * d + across * across)
    return best


@njit(cache=True, nogil=True, error_model="numpy")
def as_near(one, other, y, x, reach):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Whether the first plane is as near to a pixel as the second, or nearer; true where neither is in reach."""
    first = second = reach * reach + 1
    for d in range(reach + 1):
        # What rows farther off may hold is no nearer than d.
        if first <= d * d or second < d * d:
            break
        for yy in (y - d, y + d):
            if 0 <= yy < one.shape[0]:
                row = one[yy]
                across = _to_the_left(row, x, _to_the_right(row, x, reach + 1))
                first = min(first, d * d + across * across)
                row = other[yy]
                across = _to_the_left(row, x, _to_the_right(row, x, reach + 1))
                second = min(second, d * d + across * across)
    return first <= second


@njit(cache=True, nogil=True, error_model="numpy")
def _farthest(first_run, starts, ends, part, place, plane, reach, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    for y in range(first, last):
        for n in range(first_run[y], first_run[y + 1]):
            k = place[part[n]]
            if k >= 0:
                for x in range(starts[n], ends[n]):
                    out[k] = max(out[k], squared_distance(plane, y, x, reach, out[k]))


@njit(cache=True, nogil=True, error_model="numpy")
def _nearest(first_run, starts, ends, part, place, plane, reach, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    for y in range(first, last):
        for n in range(first_run[y], first_run[y + 1]):
            k = place[part[n]]
            if k < 0:
                continue
            for d in range(reach + 1):
                if d * d >= out[k]:
                    break
                for yy in (y - d, y + d):
                    if 0 <= yy < plane.shape[0]:
                        row, length = plane[yy], ends[n] - starts[n]
                        right = _to_the_right(row, starts[n], length + reach)
                        across = max(0, right - length + 1)  # 0 where the bit lies above or below the run
                        across = min(across, _to_the_left(row, starts[n], reach + 1))
                        out[k] = min(out[k], d * d + across * across)


def farthest(parts: Parts, chosen: npt.NDArray[np.intp], plane: Bits, reach_px: int, *, threads: int = 1) -> Squares:
    """For each chosen part, the squared distance to the plane from that of its pixels that lies farthest from it.

    reach_px : farther away counts as reach_px^2 + 1.
    """
    return np.asarray(_extremes(_farthest, 0, parts, chosen, plane, reach_px, threads).max(axis=0))


def nearest(parts: Parts, chosen: npt.NDArray[np.intp], plane: Bits, reach_px: int, *, threads: int = 1) -> Squares:
    """For each chosen part, the squared distance to the plane from that of its pixels that lies nearest to it."""
    start = reach_px * reach_px + 1
    return np.asarray(_extremes(_nearest, start, parts, chosen, plane, reach_px, threads).min(axis=0))


def _extremes(  # type: ignore[no-untyped-def]
    look, start: int, parts: Parts, chosen: npt.NDArray[np.intp], plane: Bits, reach_px: int, threads: int
) -> Squares:
    """int64 (strips, chosen): what each strip of rows found."""
    place = np.full(parts.count, -1, dtype=np.int64)
    place[chosen] = np.arange(len(chosen))
    strips = row_strips(plane.shape[0], _STRIP)
    out = np.full((len(strips), len(chosen)), start, dtype=np.int64)
    run_all(
        lambda i, a, b: look(
            parts.first_run, parts.starts, parts.ends, parts.part, place, plane, reach_px, a, b, out[i]
        ),
        [(i, a, b) for i, (a, b) in enumerate(strips)],
        threads,
    )
    return out
