"""Contours through fewer points, by Douglas and Peucker (1973), arc by arc, so that what layers share stays shared.

An arc's ends stay, so nodes stay where they are. A closed arc is cut at the point farthest from its beginning, and of
every piece between two cuts the point farthest from its chord stays too: so no area collapses, and two arcs between the
same two nodes stay apart.

Nothing can cross. Arcs are chains of pixel edges that meet at nodes only, and a chord stands for a chain of which every
point is at most `tolerance_px` < 1 away from it. Let q be a lattice point of another chain, on the chord or between
chord and chain. The ray from q at a right angle away from the chord meets the chain; as q isn't on the chain, and edges
lie on the lattice's lines, that is at least 1 from q, so the chain is at least 1 from the chord: a contradiction. So no
chord sweeps over a point of another chain; and if two chords crossed, the edge of one chain that runs into the other's
swept area would have to end in it. By the same argument with the centres of pixels, which are 0.5 from every edge, a
tolerance below 0.5 leaves every pixel's centre on its side: the picture drawn at pixel centres doesn't change at all.

(Kept as a proof and not as a check in every run; the tests check it on random pictures with a geometry library.)
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.contours import Bytes, Contours, Ints
from worker.engine.threads import run_all
from worker.errors import SettingsError

COARSE_PX = 0.75
FINE_PX = 0.49
"""Leaves every pixel's centre on its side."""
FINE_ART_PX = 3.0

_PIECE = 1024  # points; a longer arc is cut, so that the cost stays linear whatever its shape
_TASKS = 64


def tolerance_for(smallest_feature_px: float) -> float:
    """How far a contour may move, in pixels: less where the art is only a pixel or two fine."""
    return FINE_PX if smallest_feature_px < FINE_ART_PX else COARSE_PX


def simplify(contours: Contours, tolerance_px: float, *, threads: int = 1) -> Contours:
    """The contours through fewer of their points; no point left out is farther than `tolerance_px` from its chord.

    0 leaves out points on a straight line only (of which `trace` makes none). SettingsError unless the tolerance is
    from 0 to COARSE_PX.
    """
    if not 0.0 <= tolerance_px <= COARSE_PX:
        raise SettingsError(
            f"The contours' tolerance is {tolerance_px:g} px.",
            mend=f"Choose 0 to {COARSE_PX:g} px: with 1 px or more, contours could cross.",
        )
    points, starts = contours.points, contours.starts
    tasks = _shares(starts)
    kept = np.zeros(len(points), np.uint8)
    counts = np.zeros(contours.arcs, np.int64)
    run_all(_mark, [(points, starts, tolerance_px, *task, kept, counts) for task in tasks], threads)
    new_starts = np.concatenate([np.zeros(1, np.int64), np.cumsum(counts)])
    new_points = np.empty((new_starts[-1], 2), np.int32)
    run_all(_gather, [(points, starts, kept, new_starts, *task, new_points) for task in tasks], threads)
    return contours.with_points(new_points, new_starts)


def _shares(starts: npt.NDArray[np.int64]) -> list[tuple[int, int]]:
    """(first, past the last) arc of shares of about as many points each."""
    cuts = np.searchsorted(starts, np.linspace(0, starts[-1], _TASKS + 1))
    cuts[0], cuts[-1] = 0, len(starts) - 1
    return [(int(a), int(b)) for a, b in pairwise(cuts) if b > a]


@njit(cache=True, nogil=True, error_model="numpy")
def _farthest(points: Ints, first: int, last: int) -> tuple[int, float]:
    """The point between two farthest from the chord (a segment) and its distance, squared."""
    x, y = float(points[first, 0]), float(points[first, 1])
    dx, dy = points[last, 0] - x, points[last, 1] - y
    square = dx * dx + dy * dy
    most, at = -1.0, first
    for i in range(first + 1, last):
        px, py = points[i, 0] - x, points[i, 1] - y
        along = px * dx + py * dy
        if along <= 0.0:
            distance = px * px + py * py
        elif along >= square:
            distance = (px - dx) * (px - dx) + (py - dy) * (py - dy)
        else:
            across = px * dy - py * dx
            distance = across * across / square
        if distance > most:
            most, at = distance, i
    return at, most


@njit(cache=True, nogil=True, error_model="numpy")
def _mark_piece(points: Ints, first: int, last: int, limit: float, kept: Bytes, stack: Ints) -> None:
    """Mark the points between two kept ones that stay; the farthest always does."""
    forced = True
    depth = 0
    stack[depth, 0], stack[depth, 1] = first, last
    depth = 1
    while depth > 0:
        depth -= 1
        a, b = stack[depth, 0], stack[depth, 1]
        if b - a < 2:
            continue
        at, distance = _farthest(points, a, b)
        if distance <= limit and not forced:
            continue
        forced = False
        kept[at] = 1
        stack[depth, 0], stack[depth, 1] = at, b
        stack[depth + 1, 0], stack[depth + 1, 1] = a, at
        depth += 2


@njit(cache=True, nogil=True, error_model="numpy")
def _mark(
    points: Ints,
    starts: npt.NDArray[np.int64],
    tolerance: float,
    first: int,
    past: int,
    kept: Bytes,
    counts: npt.NDArray[np.int64],
) -> None:
    stack = np.empty((_PIECE + 2, 2), np.int32)
    limit = tolerance * tolerance
    for arc in range(first, past):
        begin, end = starts[arc], starts[arc + 1] - 1
        kept[begin], kept[end] = 1, 1
        a = begin
        while a < end:
            b = min(a + _PIECE, end)
            kept[b] = 1
            closed = points[a, 0] == points[b, 0] and points[a, 1] == points[b, 1]
            if closed:
                at, _ = _farthest(points, a, b)
                kept[at] = 1
                _mark_piece(points, a, at, limit, kept, stack)
                _mark_piece(points, at, b, limit, kept, stack)
            else:
                _mark_piece(points, a, b, limit, kept, stack)
            a = b
        total = 0
        for i in range(begin, end + 1):
            total += kept[i]
        counts[arc] = total


@njit(cache=True, nogil=True, error_model="numpy")
def _gather(
    points: Ints,
    starts: npt.NDArray[np.int64],
    kept: Bytes,
    new_starts: npt.NDArray[np.int64],
    first: int,
    past: int,
    out: Ints,
) -> None:
    for arc in range(first, past):
        n = new_starts[arc]
        for i in range(starts[arc], starts[arc + 1]):
            if kept[i]:
                out[n] = points[i]
                n += 1
