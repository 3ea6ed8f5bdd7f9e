"""Pixels moved between the planes of a partition, where there are any: what is sparse costs little."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.bit_morphology import Bits, Region, needed_runs, strip_groups
from worker.engine.threads import run_all

Planes = npt.NDArray[np.uint64]
"""uint64 (finishes, rows, words)."""

_STRIP = 64
_ONE = np.uint64(1)
_NONE = np.uint64(0)


@njit(cache=True, nogil=True, error_model="numpy")
def _gather(planes, chosen, start, region, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    runs = needed_runs(region[first // _STRIP], 0)
    for y in range(first, last):
        for n in range(runs.shape[0]):
            a, b = runs[n, 0], runs[n, 1]
            to = out[y, a:b]
            to[:] = start[y, a:b]
            for f in range(planes.shape[0]):
                if chosen[f]:
                    row = planes[f, y, a:b]
                    for j in range(b - a):
                        to[j] |= row[j]


@njit(cache=True, nogil=True, error_model="numpy")
def _gather_strips(planes, chosen, start, region, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    for a in range(first, last, _STRIP):
        if region[a // _STRIP].any():
            _gather(planes, chosen, start, region, a, min(a + _STRIP, last), out)


def gather(planes: Planes, finishes: tuple[int, ...], start: Bits, region: Region, *, threads: int) -> Bits:
    """The union of some planes and `start`, in the region."""
    chosen = np.zeros(len(planes), dtype=np.bool_)
    chosen[list(finishes)] = True
    out: Bits = np.zeros(start.shape, dtype=np.uint64)
    calls = strip_groups(out.shape[0], threads)
    run_all(lambda a, b: _gather_strips(planes, chosen, start, region, a, b, out), calls, threads)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def move(planes, where, finish):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Give pixels to a finish, in place."""
    for y in range(where.shape[0]):
        for j in range(where.shape[1]):
            bits = where[y, j]
            if bits != _NONE:
                for f in range(planes.shape[0]):
                    planes[f, y, j] &= ~bits
                planes[finish, y, j] |= bits


@njit(cache=True, nogil=True, error_model="numpy")
def take_over(planes, where, other):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Make pixels what they are in another partition, in place."""
    for y in range(where.shape[0]):
        for j in range(where.shape[1]):
            bits = where[y, j]
            if bits != _NONE:
                for f in range(planes.shape[0]):
                    planes[f, y, j] = (planes[f, y, j] & ~bits) | (other[f, y, j] & bits)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _finish_at(planes, y, x):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    j, bit = x >> 6, _ONE << np.uint64(x & 63)
    for f in range(planes.shape[0]):
        if planes[f, y, j] & bit != _NONE:
            return f
    return -1


@njit(cache=True, nogil=True, error_model="numpy")
def flood(planes, where, sources, others, gives, steps):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Give the pixels of `where` to the nearest finish that gives, in place, from the sources' pixels outwards.

    where : emptied as pixels are given; what is left lies deeper than `steps`, or has no giver around. sources : pixels
    that may give, none of them in `where`; with `others`, all pixels but those. gives : bool (finishes,).
    """
    height, words = where.shape
    count = 0
    for y in range(height):
        for j in range(words):
            bits = where[y, j]
            while bits != _NONE:
                bits &= bits - _ONE
                count += 1
    if count == 0:
        return
    queue = np.empty((count, 2), dtype=np.int32)
    finish = np.empty(count, dtype=np.int32)
    votes = np.zeros(planes.shape[0], dtype=np.int32)
    dy = np.array([-1, 0, 0, 1])
    dx = np.array([0, -1, 1, 0])
    tail = 0
    for y in range(1, height - 1):
        for j in range(words):
            bits = where[y, j]
            if bits == _NONE:
                continue
            for i in range(64):
                if (bits >> np.uint64(i)) & _ONE == _NONE:
                    continue
                x = 64 * j + i
                votes[:] = 0
                best = -1
                for k in range(4):
                    yy, xx = y + dy[k], x + dx[k]
                    # None has been given yet, so `where` itself may say what lies beside it.
                    if (sources[yy, xx >> 6] & (_ONE << np.uint64(xx & 63)) == _NONE) != others:
                        continue
                    f = _finish_at(planes, yy, xx)
                    if f >= 0 and gives[f]:
                        votes[f] += 1
                        if best < 0 or votes[f] > votes[best]:
                            best = f
                if best >= 0:
                    queue[tail, 0] = y
                    queue[tail, 1] = x
                    finish[tail] = best
                    tail += 1
    for n in range(tail):
        _give(planes, where, queue[n, 0], queue[n, 1], finish[n])
    head, step = 0, 1
    while head < tail and step < steps:
        end = tail
        while head < end:
            for k in range(4):
                yy, xx = queue[head, 0] + dy[k], queue[head, 1] + dx[k]
                if where[yy, xx >> 6] & (_ONE << np.uint64(xx & 63)) != _NONE:
                    _give(planes, where, yy, xx, finish[head])
                    queue[tail, 0] = yy
                    queue[tail, 1] = xx
                    finish[tail] = finish[head]
                    tail += 1
            head += 1
        step += 1


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _give(planes, where, y, x, finish):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    j, bit = x >> 6, _ONE << np.uint64(x & 63)
    for f in range(planes.shape[0]):
        planes[f, y, j] &= ~bit
    planes[finish, y, j] |= bit
    where[y, j] &= ~bit
