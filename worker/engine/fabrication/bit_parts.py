"""Connected parts of a packed plane, found on runs of set bits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.disjoint_sets import number_sets, unite
from worker.engine.fabrication.bit_morphology import BLOCK, Bits, Frame, Region, count
from worker.engine.threads import row_strips, run_all

Indices = npt.NDArray[np.int32]
Totals = npt.NDArray[np.int64]

_STRIP = 128
_ONES = np.uint64(0xFFFFFFFFFFFFFFFF)
_ONE = np.uint64(1)
_TOP = np.uint64(63)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parts:
    """Connected parts. Numbered from 0 in the order of their first pixel, row by row.

    first_run : int64 (rows + 1,), the first run of each row of the packed plane.
    starts, ends : int32 (runs,), first column and past the last one, of the packed plane.
    part : int32 (runs,), the part of each run. count : how many parts there are.
    """

    first_run: Totals
    starts: Indices
    ends: Indices
    part: Indices
    count: int


@njit(cache=True, nogil=True, error_model="numpy")
def _edges(row, j):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Bits of word j that differ from the bit before them."""
    before = row[j - 1] >> np.uint64(63) if j > 0 else np.uint64(0)
    return row[j] ^ ((row[j] << _ONE) | before)


@njit(cache=True, nogil=True, error_model="numpy")
def lowest_bit(word):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The number of the lowest set bit."""
    n = 0
    if word & np.uint64(0xFFFFFFFF) == np.uint64(0):
        n += 32
        word >>= np.uint64(32)
    if word & np.uint64(0xFFFF) == np.uint64(0):
        n += 16
        word >>= np.uint64(16)
    if word & np.uint64(0xFF) == np.uint64(0):
        n += 8
        word >>= np.uint64(8)
    if word & np.uint64(0xF) == np.uint64(0):
        n += 4
        word >>= np.uint64(4)
    if word & np.uint64(3) == np.uint64(0):
        n += 2
        word >>= np.uint64(2)
    return n + (1 if word & _ONE == np.uint64(0) else 0)


@njit(cache=True, nogil=True, error_model="numpy")
def highest_bit(word):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The number of the highest set bit."""
    n = 0
    for step in (32, 16, 8, 4, 2, 1):
        if word >> np.uint64(step) != np.uint64(0):
            word >>= np.uint64(step)
            n += step
    return n


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def set_bits(word):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """How many bits are set, by adding neighbours."""
    word -= (word >> _ONE) & np.uint64(0x5555555555555555)
    word = (word & np.uint64(0x3333333333333333)) + ((word >> np.uint64(2)) & np.uint64(0x3333333333333333))
    word = (word + (word >> np.uint64(4))) & np.uint64(0x0F0F0F0F0F0F0F0F)
    return np.int64((word * np.uint64(0x0101010101010101)) >> np.uint64(56))


@njit(cache=True, nogil=True, error_model="numpy")
def _count(plane, first, last, counts):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(first, last):
        n = 0
        row = plane[y]
        for j in range(row.shape[0]):
            starts = _edges(row, j) & row[j]
            while starts != np.uint64(0):
                starts &= starts - _ONE
                n += 1
        counts[y + 1] = n


@njit(cache=True, nogil=True, error_model="numpy")
def _fill(plane, first, last, first_run, starts, ends):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(first, last):
        row = plane[y]
        n = m = first_run[y]
        for j in range(row.shape[0]):
            edges = _edges(row, j)
            while edges != np.uint64(0):
                i = lowest_bit(edges)
                edges &= edges - _ONE
                if (row[j] >> np.uint64(i)) & _ONE:
                    starts[n] = j * 64 + i
                    n += 1
                else:
                    ends[m] = j * 64 + i
                    m += 1
        if m < n:
            ends[m] = row.shape[0] * 64


@njit(cache=True, nogil=True, error_model="numpy")
def _join(first_run, starts, ends, slack, first, last, parent):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Join the runs of rows first..last to those of the row above that they touch; `slack` 1 joins at corners too."""
    for y in range(first, last):
        i, i_end = first_run[y - 1], first_run[y]
        j, j_end = first_run[y], first_run[y + 1]
        while i < i_end and j < j_end:
            if starts[i] < ends[j] + slack and starts[j] < ends[i] + slack:
                unite(parent, i, j)
            if ends[i] < ends[j]:
                i += 1
            else:
                j += 1


def connected_parts(plane: Bits, *, corners: bool, threads: int = 1) -> Parts:
    """The connected parts of a packed plane; `corners`: pixels that touch at a corner alone are connected."""
    rows = plane.shape[0]
    strips = row_strips(rows, _STRIP)
    first_run = np.zeros(rows + 1, dtype=np.int64)
    run_all(lambda a, b: _count(plane, a, b, first_run), strips, threads)
    np.cumsum(first_run, out=first_run)
    starts, ends, part = (np.empty(int(first_run[-1]), dtype=np.int32) for _ in range(3))
    run_all(lambda a, b: _fill(plane, a, b, first_run, starts, ends), strips, threads)
    parent = np.arange(len(starts), dtype=np.int32)
    slack = 1 if corners else 0
    run_all(lambda a, b: _join(first_run, starts, ends, slack, a + 1, b, parent), strips, threads)
    for a, _ in strips[1:]:
        _join(first_run, starts, ends, slack, a, a + 1, parent)
    parts = int(number_sets(parent, part))
    return Parts(first_run=first_run, starts=starts, ends=ends, part=part, count=parts)


@njit(cache=True, nogil=True, error_model="numpy")
def _measure(first_run, starts, ends, part, areas, boxes):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(first_run.shape[0] - 1):
        for i in range(first_run[y], first_run[y + 1]):
            k = part[i]
            areas[k] += ends[i] - starts[i]
            boxes[k, 0] = min(boxes[k, 0], starts[i])
            boxes[k, 1] = min(boxes[k, 1], y)
            boxes[k, 2] = max(boxes[k, 2], ends[i])
            boxes[k, 3] = max(boxes[k, 3], y + 1)


def areas_and_boxes(parts: Parts, frame: Frame) -> tuple[Totals, Totals]:
    """Pixels of each part, int64 (n,), and its box in the picture: int64 (n, 4), left, top, right, bottom, the last two
    past the last pixel."""
    areas = np.zeros(parts.count, dtype=np.int64)
    boxes = np.zeros((parts.count, 4), dtype=np.int64)
    boxes[:, :2] = np.iinfo(np.int64).max
    _measure(parts.first_run, parts.starts, parts.ends, parts.part, areas, boxes)
    return areas, boxes - frame.pad_px


@njit(cache=True, nogil=True, error_model="numpy")
def _count_overlaps(plane, first_run, starts, ends, part, counts):  # type: ignore[no-untyped-def]  # pragma: no cover
    for y in range(first_run.shape[0] - 1):
        row = plane[y]
        for i in range(first_run[y], first_run[y + 1]):
            for j in range(starts[i] >> 6, (ends[i] + 63) >> 6):
                counts[part[i]] += set_bits(row[j] & run_mask(starts[i], ends[i], j))


@njit(cache=True, nogil=True, error_model="numpy")
def run_mask(start, end, j):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The bits of word j that the run start..end covers."""
    mask = _ONES
    if start > j * 64:
        mask &= _ONES << np.uint64(start - j * 64)
    if end < (j + 1) * 64:
        mask &= _ONES >> np.uint64((j + 1) * 64 - end)
    return mask


def pixels_in_parts(plane: Bits, parts: Parts) -> Totals:
    """How many pixels of `plane` lie in each part, int64 (n,)."""
    counts = np.zeros(parts.count, dtype=np.int64)
    _count_overlaps(plane, parts.first_run, parts.starts, parts.ends, parts.part, counts)
    return counts


def rims_and_neighbours(
    plane: Bits, planes: npt.NDArray[np.uint64], parts: Parts, region: Region
) -> tuple[Totals, Totals]:
    """How many pixels of each part lie at its rim, int64 (n,), and at how many of these one of the other planes does on
    some side, int64 (planes, n).

    plane : that of the parts. planes : uint64 (planes, rows, words); what is in `plane` doesn't count. region : where
    pixels are looked at; elsewhere all are rim, and nothing is beside them.
    """
    rims = np.zeros(parts.count, dtype=np.int64)
    beside = np.zeros((len(planes), parts.count), dtype=np.int64)
    _look_beside(plane, planes, parts.first_run, parts.starts, parts.ends, parts.part, region, rims, beside)
    return rims, beside


@njit(cache=True, nogil=True, error_model="numpy")
def _look_beside(plane, planes, first_run, starts, ends, part, region, rims, beside):  # type: ignore[no-untyped-def]  # pragma: no cover
    rows, words = plane.shape
    for y in range(rows):
        flags = region[y // BLOCK]
        up, down = max(y - 1, 0), min(y + 1, rows - 1)
        for i in range(first_run[y], first_run[y + 1]):
            for j in range(starts[i] >> 6, (ends[i] + 63) >> 6):
                rim = plane[y, j] & run_mask(starts[i], ends[i], j)
                if flags[j] == 0:
                    rims[part[i]] += set_bits(rim)
                    continue
                here = plane[y, j]
                inner = plane[up, j] & plane[down, j] & _from_left(here, plane[y, max(j - 1, 0)], j == 0)
                rim &= ~(inner & _from_right(here, plane[y, min(j + 1, words - 1)], j + 1 == words))
                if rim == np.uint64(0):
                    continue
                rims[part[i]] += set_bits(rim)
                for f in range(planes.shape[0]):
                    other = planes[f]
                    beyond = other[y, j] & ~here
                    left = other[y, max(j - 1, 0)] & ~plane[y, max(j - 1, 0)]
                    right = other[y, min(j + 1, words - 1)] & ~plane[y, min(j + 1, words - 1)]
                    near = (other[up, j] & ~plane[up, j]) | (other[down, j] & ~plane[down, j])
                    near |= _from_left(beyond, left, j == 0) | _from_right(beyond, right, j + 1 == words)
                    beside[f, part[i]] += set_bits(rim & near)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _from_left(here, left, first):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Each pixel's left neighbour; beyond the first word the plane goes on as at its edge."""
    return (here << _ONE) | ((here & _ONE) if first else (left >> _TOP))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _from_right(here, right, last):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    return (here >> _ONE) | ((here & ~(_ONES >> _ONE)) if last else (right << _TOP))


@njit(cache=True, nogil=True, error_model="numpy")
def _select(first_run, starts, ends, part, chosen, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    for y in range(first, last):
        for i in range(first_run[y], first_run[y + 1]):
            if chosen[part[i]]:
                for j in range(starts[i] >> 6, (ends[i] + 63) >> 6):
                    out[y, j] |= run_mask(starts[i], ends[i], j)


def chosen_parts(parts: Parts, chosen: npt.NDArray[np.bool_], shape: tuple[int, int], *, threads: int = 1) -> Bits:
    """The packed plane, of this shape, of the parts that are chosen: bool (n,)."""
    out = np.zeros(shape, dtype=np.uint64)
    run_all(
        lambda a, b: _select(parts.first_run, parts.starts, parts.ends, parts.part, chosen, a, b, out),
        row_strips(shape[0], _STRIP),
        threads,
    )
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _list_pixels(plane, rows, columns):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    n = 0
    for y in range(plane.shape[0]):
        row = plane[y]
        for j in range(row.shape[0]):
            word = row[j]
            while word != np.uint64(0):
                rows[n] = y
                columns[n] = j * 64 + lowest_bit(word)
                word &= word - _ONE
                n += 1


def set_pixels(plane: Bits, frame: Frame) -> tuple[Totals, Totals]:
    """Row and column in the picture of every set pixel, row by row: int64 (n,) each."""
    rows, columns = (np.empty(count(plane), dtype=np.int64) for _ in range(2))
    _list_pixels(plane, rows, columns)
    return rows - frame.pad_px, columns - frame.pad_px
