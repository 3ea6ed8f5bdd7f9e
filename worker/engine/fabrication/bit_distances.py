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
_LOW_STRIP = 64
_CHUNK = 16
"""Rows, and words, that distances to two planes are found for at a time: they stay in the cache."""


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


def nearer(asked: Bits, one: Bits, other: Bits, reach_px: int, *, threads: int = 1) -> Bits:
    """The asked pixels that are nearer to the first plane than to the second; none of those with neither in reach."""
    out: Bits = np.zeros(asked.shape, dtype=np.uint64)
    run_all(
        lambda a, b: _nearer(asked, one, other, reach_px, a, b, out), row_strips(asked.shape[0], _LOW_STRIP), threads
    )
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _nearer(asked, one, other, reach, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    words = asked.shape[1]
    margin = 1 + (reach - 1) // 64
    for begin in range(0, words, _CHUNK):
        end = min(begin + _CHUNK, words)
        held = False
        for y in range(first, last):
            for j in range(begin, end):
                held |= asked[y, j] != np.uint64(0)
        if not held:
            continue
        left, right = max(begin - margin, 0), min(end + margin, words)
        near, far = _down(one, left, right, first, last, reach), _down(other, left, right, first, last, reach)
        columns = (right - left) * 64
        first_square, second_square = np.empty(columns, dtype=np.float32), np.empty(columns, dtype=np.float32)
        for y in range(first, last):
            held = False
            for j in range(begin, end):
                held |= asked[y, j] != np.uint64(0)
            if not held:
                continue
            _across(near[y - first], reach, first_square)
            _across(far[y - first], reach, second_square)
            for j in range(begin, end):
                if asked[y, j] == np.uint64(0):
                    continue
                x = (j - left) * 64
                word = np.uint64(0)
                for i in range(64):
                    if first_square[x + i] < second_square[x + i]:
                        word |= np.uint64(1) << np.uint64(i)
                out[y, j] = asked[y, j] & word


@njit(cache=True, nogil=True, error_model="numpy")
def _down(plane, left, right, first, last, reach):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """float32 (rows, columns): squared distance of each pixel to the nearest of the plane's in its column."""
    top, bottom = max(first - reach, 0), min(last + reach, plane.shape[0])
    columns = (right - left) * 64
    away = np.empty(columns, dtype=np.float32)
    out = np.empty((last - first, columns), dtype=np.float32)
    most = np.float32(reach + 1)
    away[:] = most
    for y in range(top, last):
        _step(plane[y], left, right, most, away)
        if y >= first:
            out[y - first] = away
    away[:] = most
    for y in range(bottom - 1, first - 1, -1):
        _step(plane[y], left, right, most, away)
        if y < last:
            row = out[y - first]
            for x in range(columns):
                least = min(row[x], away[x])
                row[x] = least * least
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _step(row, left, right, most, away):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """One row farther from what was set, but 0 where this row is."""
    for j in range(left, right):
        word, to = row[j], away[(j - left) * 64 : (j - left + 1) * 64]
        if word == np.uint64(0):
            for i in range(64):
                to[i] = min(to[i] + np.float32(1.0), most)
            continue
        for i in range(64):
            one = (word >> np.uint64(i)) & np.uint64(1)
            to[i] = np.float32(0.0) if one != np.uint64(0) else min(to[i] + np.float32(1.0), most)


@njit(cache=True, nogil=True, error_model="numpy")
def _across(down, reach, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Squared distances in all columns' stead of those in each; what is out of reach is all alike."""
    columns = down.shape[0]
    out[:] = down
    for d in range(1, reach + 1):
        square = np.float32(d * d)
        ahead, to = down[d:], out[: columns - d]
        for x in range(columns - d):
            to[x] = min(to[x], ahead[x] + square)
        behind, to = down[: columns - d], out[d:]
        for x in range(columns - d):
            to[x] = min(to[x], behind[x] + square)
    most = np.float32(reach * reach + 1)
    for x in range(columns):
        out[x] = min(out[x], most)


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
