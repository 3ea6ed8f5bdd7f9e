"""Strokes of an artwork: thin lines of one colour, found so that a dither can keep them whole.

A line is told from a photograph's detail by what it is: the colours on both its sides differ from its own and lie in
one direction from it, its colour goes on and stays the same along it, and it is some cells long. All is looked at on
samples, about three to the side of a dither's cell.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Floats, Srgb
from worker.engine.disjoint_sets import number_sets, root
from worker.engine.separation.lab_samples import lab_of_coded, lab_of_pixels, lab_samples
from worker.engine.threads import row_strips, run_all

Lines = npt.NDArray[np.int32]
"""int32 (h, w): the number of the line that a sample is of, 0 where there is none."""

_PARTS = 3
_APART = (1.25, 2.0)
"""Where the colours on both sides are looked at, in cells from the middle: of lines of one and of two cells' width."""
_UNIT = np.int32(13)
"""Squared CIELAB differences are counted in so small parts; twice a squared lightness in 255ths of 100 is as much."""
_LEAST = _UNIT * np.int32(12**2)
_SAME = _UNIT * np.int32(5**2)
"""Squared differences: of a line from its sides, at least; within it, at most."""
_GOES_ON, _SURELY = np.float32(0.3), np.float32(0.1)
"""How far a line may change from one place to the next, of its squared contrast, so that it goes on."""
_SURE = 0.6
"""Of a line's samples, so many must go on along it beyond doubt."""
_JOINED = np.float32(0.25)
"""Neighbours belong together where they differ by less than so much of their squared contrast."""
_PEAK = 0.9
"""Samples count for a line's colour from so much of its squared contrast on."""
_STEADY, _STEADY_BROAD = 0.065, 0.04
_NOISE = 1.0
"""How far a line's own colour may vary, of its contrast, and if it is not narrow; and in CIELAB, whatever its contrast.
Samples of a narrow line are blended with its ground, now more and now less."""
_NARROW = 1.3
"""Cells up to which a line is narrow."""
_LONG = 5.0
"""Cells that a line is long, at least."""
_BROAD = 2.4
"""Cells that a line is wide, at most: what is wider keeps its shape in a dither."""
_SLENDER = 4.0
"""And it is so many times as long as wide, at least."""
_LENGTHY = 10.0
"""A certain line is so many times as long as wide."""
_FLANKED = 0.4
"""Of a line's edge, so much lies beside other lines if it lies between them."""
_TURNS = (0.0, 0.5 * math.pi, 0.25 * math.pi, 0.75 * math.pi)
"""Directions across a line."""
_BEND = math.pi / 8.0
"""A line that goes on may turn so much."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strokes:
    """Lines that were found.

    line : by sample. step : side of a sample in pixels. lab, ground : float64 (n, 3), CIELAB of each line and of what
    lies beside it, from number 1 on. size : int64 (n,), samples of each. between : bool (n,), those that lie between
    others. certain : bool (n,), long and steady ones, as photographs hardly have them.
    """

    line: Lines
    step: int
    lab: Floats
    ground: Floats
    size: npt.NDArray[np.int64]
    between: npt.NDArray[np.bool_]
    certain: npt.NDArray[np.bool_]


def find_strokes(srgb: Srgb, cell_px: int, *, threads: int = 1) -> Strokes | None:
    """The lines of a picture, up to about two cells wide; None where it has none.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), C-contiguous, encoded sRGB
    cell_px : side of a cell in pixels.
    """
    step = max(1, round(cell_px / _PARTS))
    height, width = (max(1, length // step) for length in srgb.shape[:2])
    cell = cell_px / step
    across = np.array([_steps(turn, cell, _APART) for turn in _TURNS])
    along = np.array(
        [[_steps(turn + 0.5 * math.pi + bend, cell, (0.5, 1.0)) for bend in (0.0, -_BEND, _BEND)] for turn in _TURNS]
    )
    pad = max(int(np.abs(across).max()), int(np.abs(along).max()))
    planes = lab_samples(srgb, step, pad, threads=threads)
    contrast = np.zeros((height, width), dtype=np.int32)
    sure = np.zeros((height, width), dtype=np.bool_)
    ground = np.zeros((height, width, 3), dtype=np.float32)
    run_all(
        lambda a, b: _ridges(planes, pad, across, along, a, b, contrast, sure, ground), row_strips(height, 32), threads
    )
    if not sure.any():
        return None
    line = np.zeros((height, width), dtype=np.int32)
    count = _join(planes, pad, ground, contrast, line)
    boxes = np.zeros((count, 4), dtype=np.int64)
    sizes, sures = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    _measure(line, sure, boxes, sizes, sures)
    kept = np.hypot(boxes[:, 2] - boxes[:, 0] + 1, boxes[:, 3] - boxes[:, 1] + 1) >= _LONG * cell
    kept &= sures >= _SURE * sizes
    kept[0] = False
    line = _numbered(line, kept)
    if not kept.any():
        return None
    some = line > 0
    coded = np.ascontiguousarray(np.moveaxis(planes[:, pad:-pad, pad:-pad], 0, -1))
    at, own, beside = line[some], lab_of_coded(coded[some]), ground[some]
    count = int(kept.sum()) + 1
    # What is farthest from the ground is the line's own colour; its edges are blended with what lies beside.
    here = contrast[some].astype(np.float32) / np.float32(_UNIT)
    peak = _means(at, here[:, None], np.square(here), count)[:, 0]
    weight = np.where(here >= _PEAK * peak[at], np.square(here), np.float32(0.0))
    mean, ground_mean = _means(at, own, weight, count), _means(at, beside, weight, count)
    spread = np.square(own - mean[at].astype(np.float32)).sum(axis=1, keepdims=True)
    steady = _means(at, spread, weight, count)[:, 0]
    far = np.square(mean - ground_mean).sum(axis=1)
    kept = steady <= np.maximum(_NOISE**2, _STEADY**2 * far)
    kept[0] = False
    if not kept.any():
        return None
    line = _numbered(line, kept)
    mean, ground_mean, far, steady = mean[kept], ground_mean[kept], far[kept], steady[kept]
    last = _spread(
        line, np.flatnonzero(line), coded, mean.astype(np.float32), (0.25 * far).astype(np.float32), round(cell)
    )
    size = np.bincount(line.ravel(), minlength=len(mean) + 1)
    sides = np.zeros((2, len(size)), dtype=np.int64)
    _count_sides(line, sides)
    between = sides[1] >= _FLANKED * sides[0]
    breadth = _breadths(line, size, math.ceil(2.0 * _BROAD * cell))
    kept = (breadth <= _BROAD * cell) & (size >= _SLENDER * np.square(breadth))
    kept[1:] &= (breadth[1:] <= _NARROW * cell) | (steady <= np.maximum(_NOISE**2, _STEADY_BROAD**2 * far))
    certain = size >= _LENGTHY * np.square(breadth)
    certain[1:] &= steady <= np.maximum(_NOISE**2, _STEADY_BROAD**2 * far)
    # What lies between lines and goes on into a wider area of its colour is their ground.
    kept &= ~(between & (np.bincount(line.ravel()[last], minlength=len(size)) > 0))
    kept[0] = False
    if not kept.any():
        return None
    ground_mean = ground_mean[kept[1:]]
    line = _numbered(line, kept)
    colour = _own_colours(srgb, step, np.where(contrast > 0, line, 0), ground_mean)
    return Strokes(
        line=line,
        step=step,
        lab=colour,
        ground=ground_mean,
        size=size[kept],
        between=between[kept],
        certain=certain[kept],
    )


def _own_colours(srgb: Srgb, step: int, line: Lines, ground: Floats) -> Floats:
    """CIELAB of lines, float64 (n, 3), by the pixel of each sample that is farthest from the ground.

    Samples are blended with what lies beside a thin line, pixels less.
    """
    rows, columns = np.nonzero(line)
    at = line[rows, columns]
    height, width = line.shape
    parts = srgb[: height * step, : width * step].reshape(height, step, width, step, 3)[rows, :, columns]
    lab = lab_of_pixels(parts.reshape(len(at), -1, 3))
    away = np.square(lab - ground[at - 1, None].astype(np.float32)).sum(axis=2)
    farthest = away.argmax(axis=1)
    lab, away = lab[np.arange(len(at)), farthest], away[np.arange(len(at)), farthest]
    count = len(ground) + 1
    peak = _means(at, away[:, None], np.square(away), count)[:, 0]
    return _means(at, lab, np.where(away >= _PEAK * peak[at], np.square(away), np.float32(0.0)), count)[1:]


def _breadths(line: Lines, size: npt.NDArray[np.int64], reach: int) -> Floats:
    """How wide lines are in the mean, in samples, float64 (n + 1,); no way to an edge counts as longer than `reach`."""
    inside = line > 0
    inside[:, :-1] &= (line[:, :-1] == line[:, 1:]) | (line[:, 1:] == 0)
    inside[:-1] &= (line[:-1] == line[1:]) | (line[1:] == 0)
    ways = np.zeros(len(size), dtype=np.float64)
    _add_ways(line, inside, reach, ways)
    # Over a strip, the way to its edge is a quarter of its width in the mean; to the first sample beyond, half more.
    return 4.0 * (ways / np.maximum(size, 1) - 0.5)


def _steps(turn: float, cell: float, far: Sequence[float]) -> list[list[int]]:
    """Steps down and right in one direction, in samples, for distances in cells."""
    return [[round(away * cell * math.sin(turn)), round(away * cell * math.cos(turn))] for away in far]


def _numbered(line: Lines, kept: npt.NDArray[np.bool_]) -> Lines:
    """Only the lines that are kept, from 1 on."""
    number = np.where(kept, np.cumsum(kept), 0).astype(np.int32)
    return number[line]


def _means(at: Lines, values: Float32s, weight: Float32s, count: int) -> Floats:
    """The weighted mean of values (m, k) for each of `count` lines, float64 (count, k)."""
    total = np.maximum(np.bincount(at, weights=weight, minlength=count), 1e-9)
    sums = [np.bincount(at, weights=weight * values[:, i], minlength=count) for i in range(values.shape[1])]
    return np.stack(sums, axis=1) / total[:, None]


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _squared(planes, y, x, v, u):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Squared difference of two samples, in 13ths of CIELAB's: its lightness is coded in 255ths of 100."""
    l_ = np.int32(planes[0, y, x]) - np.int32(planes[0, v, u])
    a = np.int32(planes[1, y, x]) - np.int32(planes[1, v, u])
    b = np.int32(planes[2, y, x]) - np.int32(planes[2, v, u])
    return np.int32(2) * l_ * l_ + _UNIT * (a * a + b * b)


@njit(cache=True, nogil=True, error_model="numpy")
def _candidates(planes, y, pad, across, least, found):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Mark the samples of a row that differ from both their sides in some direction."""
    found[:] = 0
    own_l, own_a, own_b = planes[0, y, pad:], planes[1, y, pad:], planes[2, y, pad:]
    for turn in range(across.shape[0]):
        for k in range(across.shape[1]):
            down, right = across[turn, k, 0], across[turn, k, 1]
            one_l, two_l = planes[0, y + down, pad + right :], planes[0, y - down, pad - right :]
            one_a, two_a = planes[1, y + down, pad + right :], planes[1, y - down, pad - right :]
            one_b, two_b = planes[2, y + down, pad + right :], planes[2, y - down, pad - right :]
            for x in range(found.shape[0]):
                l_, a, b = np.int32(own_l[x]), np.int32(own_a[x]), np.int32(own_b[x])
                l_1, a_1, b_1 = l_ - np.int32(one_l[x]), a - np.int32(one_a[x]), b - np.int32(one_b[x])
                l_2, a_2, b_2 = l_ - np.int32(two_l[x]), a - np.int32(two_a[x]), b - np.int32(two_b[x])
                to_one = np.int32(2) * l_1 * l_1 + _UNIT * (a_1 * a_1 + b_1 * b_1)
                to_two = np.int32(2) * l_2 * l_2 + _UNIT * (a_2 * a_2 + b_2 * b_2)
                found[x] |= np.uint8(min(to_one, to_two) > least)


@njit(cache=True, nogil=True, error_model="numpy")
def _ridges(planes, pad, across, along, first, last, contrast, sure, ground):  # type: ignore[no-untyped-def]  # pragma: no cover
    """How far samples of rows first..last lie from both their sides, squared, where a line may run; the colour beside.

    across : int64 (turns, distances, 2), steps down and right to one side of a line. along : int64 (turns, bends, 2,
    2), half way and all the way that it goes on. sure : where one goes on beyond doubt.
    """
    width = contrast.shape[1]
    found = np.zeros(width, dtype=np.uint8)
    for row in range(first, last):
        y = row + pad
        _candidates(planes, y, pad, across, _LEAST, found)
        for column in range(width):
            if found[column] == 0:
                continue
            x = column + pad
            for turn in range(across.shape[0]):
                within = np.int32(-1)
                for k in range(across.shape[1]):
                    v, u = y + across[turn, k, 0], x + across[turn, k, 1]
                    to_one = _squared(planes, y, x, v, u)
                    if to_one <= _LEAST:
                        continue
                    vv, uu = y - across[turn, k, 0], x - across[turn, k, 1]
                    to_two = _squared(planes, y, x, vv, uu)
                    if to_two <= _LEAST or 2 * _squared(planes, v, u, vv, uu) >= to_one + to_two:
                        continue
                    if within < 0:
                        within = np.int32(1 << 30)
                        for way in along[turn]:
                            d_1, r_1, d_2, r_2 = way[0, 0], way[0, 1], way[1, 0], way[1, 1]
                            ahead = max(
                                _squared(planes, y, x, y + d_1, x + r_1), _squared(planes, y, x, y + d_2, x + r_2)
                            )
                            behind = max(
                                _squared(planes, y, x, y - d_1, x - r_1), _squared(planes, y, x, y - d_2, x - r_2)
                            )
                            within = min(within, ahead, behind)
                    here = min(to_one, to_two)
                    if within >= max(_SAME, _GOES_ON * here):
                        continue
                    sure[row, column] |= within < max(_SAME, _SURELY * here)
                    if here > contrast[row, column]:
                        contrast[row, column] = here
                        for i in range(3):
                            middle = np.float32(0.5) * (np.float32(planes[i, v, u]) + np.float32(planes[i, vv, uu]))
                            ground[row, column, i] = (
                                middle * np.float32(100.0 / 255.0) if i == 0 else middle - np.float32(128.0)
                            )


@njit(cache=True, nogil=True, error_model="numpy")
def _join(planes, pad, ground, contrast, line):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Number the parts that neighbours of like colour make up, from 1 on; how many numbers there are, with 0.

    What lies between two lines is a line as well, of the other side's colour: its way from its ground is the opposite.
    """
    height, width = contrast.shape
    parent = np.zeros(1 << 12, dtype=np.int32)
    count = 1
    for y in range(height):
        for x in range(width):
            here = contrast[y, x]
            if here == 0:
                continue
            own = 0
            for k in range(4):
                v, u = (y, x - 1) if k == 0 else (y - 1, x - 2 + k)
                if v < 0 or u < 0 or u >= width or contrast[v, u] == 0:
                    continue
                difference = _squared(planes, y + pad, x + pad, v + pad, u + pad)
                if difference > max(_SAME, _JOINED * max(here, contrast[v, u])):
                    continue
                alike = np.float32(0.0)
                for i in range(3):
                    scale = np.float32(100.0 / 255.0) if i == 0 else np.float32(1.0)
                    zero = np.float32(0.0) if i == 0 else np.float32(128.0)
                    one = (np.float32(planes[i, y + pad, x + pad]) - zero) * scale - ground[y, x, i]
                    two = (np.float32(planes[i, v + pad, u + pad]) - zero) * scale - ground[v, u, i]
                    alike += one * two
                if alike <= np.float32(0.0):
                    continue
                other = root(parent, line[v, u])
                if own == 0:
                    own = other
                elif own != other:
                    low, high = min(own, other), max(own, other)
                    parent[high] = low
                    own = low
            if own == 0:
                if count == parent.shape[0]:
                    larger = np.zeros(2 * count, dtype=np.int32)
                    larger[:count] = parent
                    parent = larger
                parent[count] = count
                own = count
                count += 1
            line[y, x] = own
    number = np.zeros(count, dtype=np.int32)
    found = number_sets(parent[:count], number)  # 0, which is no part, is a set by itself
    for y in range(height):
        for x in range(width):
            line[y, x] = number[line[y, x]]
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def _measure(line, sure, boxes, sizes, sures):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Of each part, the rows and columns from and to which it reaches, its samples, and how many are sure."""
    boxes[:, 0], boxes[:, 1] = line.shape[0], line.shape[1]
    boxes[:, 2:] = -1
    for y in range(line.shape[0]):
        for x in range(line.shape[1]):
            i = line[y, x]
            if i > 0:
                boxes[i, 0], boxes[i, 2] = min(boxes[i, 0], y), max(boxes[i, 2], y)
                boxes[i, 1], boxes[i, 3] = min(boxes[i, 1], x), max(boxes[i, 3], x)
                sizes[i] += 1
                sures[i] += 1 if sure[y, x] else 0


@njit(cache=True, nogil=True, error_model="numpy")
def _spread(line, front, coded, own, near, steps):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Let lines take what is of their colour around them: ends and crossings, which have no two sides.

    front : int64 (m,), the places of all lines. own : float32 (n, 3), from line 1 on. near : squared difference,
    float32 (n,), below which a colour is a line's.
    Gives the places of those taken last.
    """
    height, width = line.shape
    for _ in range(steps):
        taken = np.empty(8 * front.shape[0], dtype=np.int64)
        count = 0
        for place in front:
            y, x = place // width, place % width
            i = line[y, x]
            for v in range(max(y - 1, 0), min(y + 2, height)):
                for u in range(max(x - 1, 0), min(x + 2, width)):
                    if line[v, u] > 0:
                        continue
                    l_ = np.float32(100.0 / 255.0) * np.float32(coded[v, u, 0]) - own[i - 1, 0]
                    a = np.float32(coded[v, u, 1]) - np.float32(128.0) - own[i - 1, 1]
                    b = np.float32(coded[v, u, 2]) - np.float32(128.0) - own[i - 1, 2]
                    if l_ * l_ + a * a + b * b < near[i - 1]:
                        line[v, u] = i
                        taken[count] = v * width + u
                        count += 1
        front = taken[:count]
    return front


@njit(cache=True, nogil=True, error_model="numpy")
def _count_sides(line, sides):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Of each line, int64 (2, n): the sides of samples at its edge, and those of them that another line lies beside."""
    height, width = line.shape
    for y in range(height):
        for x in range(width):
            here = line[y, x]
            if here == 0:
                continue
            for k in range(4):
                down, right = (k - 1 if k % 2 == 0 else 0), (k - 2 if k % 2 == 1 else 0)
                v, u = y + down, x + right
                if v < 0 or u < 0 or v >= height or u >= width or line[v, u] == here:
                    continue
                sides[0, here] += 1
                for _ in range(2):
                    if v < 0 or u < 0 or v >= height or u >= width:
                        break
                    if line[v, u] > 0 and line[v, u] != here:
                        sides[1, here] += 1
                        break
                    v, u = v + down, u + right


@njit(cache=True, nogil=True, error_model="numpy")
def _add_ways(line, inside, reach, ways):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Add up, by line, how far its samples lie from the nearest one that is not inside; 0 for those that are not.

    Nearest of each row first, then of all rows, as in Felzenszwalb and Huttenlocher 2012, but over few rows.
    """
    height, width = line.shape
    beside = np.empty((height, width), dtype=np.int32)
    for y in range(height):
        away = reach
        for x in range(width):
            away = min(away + 1, reach) if inside[y, x] else 0
            beside[y, x] = away
        away = reach
        for x in range(width - 1, -1, -1):
            away = min(away + 1, reach) if inside[y, x] else 0
            beside[y, x] = min(beside[y, x], away)
    for y in range(height):
        first, last = max(y - reach, 0), min(y + reach + 1, height)
        for x in range(width):
            if not inside[y, x] or line[y, x] == 0:
                continue
            least = reach * reach
            for v in range(first, last):
                least = min(least, (v - y) * (v - y) + np.int64(beside[v, x]) * beside[v, x])
            ways[line[y, x]] += np.sqrt(np.float64(least))
