"""Marks, such as letters and stars, that something in their way has torn: they are left out whole.

A mark is seen by its border, where it differs from its ground. Where too much of that border is lost, a letter reads as
another one or as none, so its ground goes on over it. A mark within a mark, as the hole of an O, goes with that one.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.palette.assignment import NO_CLUSTER, Assignment
from worker.engine.separation.cut_strokes import MARK_FEATURES
from worker.engine.separation.result import LeftOutMark

Mask = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.int64]
Found = npt.NDArray[np.int32]

_LEGIBLE = 0.8
"""A mark stays while so much of its border is seen. What is as full as a dot or an upright only gets shorter, and stays
with half of it (our own; no source)."""
_SHORTENED = 0.5
_FULL = 0.85
"""Of its convex hull, a dot or an upright fills so much; an L, a C or a star does not."""
_MARK_SHARE = 1.0 / 8.0
"""Of the board's longer side, a mark is so long at most."""
_SLENDER = 0.5
"""And its strokes are so wide at most, of its longer side, where it is larger than small marks are."""
_ACROSS_PX = 3
"""A border is looked at from so far on both its sides: rims and steps of the grid lie between."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WithoutMarks:
    """The artwork with its torn marks' ground in their place. labels, cluster_ids : uint8 (H, W). there : bool
    (H, W), where they were."""

    labels: Labels
    cluster_ids: Labels
    there: Mask
    marks: tuple[LeftOutMark, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Parts:
    """Connected parts of one finish each. of : int32 (H, W), from 1 on, 0 off the board. box : int64 (n, 4), left, top,
    width, height. finish : uint8 (n,). mark : bool (n,), those small enough."""

    of: Found
    box: Numbers
    finish: npt.NDArray[np.uint8]
    mark: Mask


def artwork_in_holes(labels: Labels, assignment: Assignment, off: Mask, clear: Mask | None) -> Labels:
    """Labels, uint8 (H, W), in which holes have what the artwork has there; OUTSIDE elsewhere off the board.

    Parameters
    ----------
    off : bool (H, W), off the board. clear : bool (H, W) or None, where the artwork is transparent.
    """
    out = labels.copy()
    out[off] = OUTSIDE
    count, found = cv2.connectedComponents(off.view(np.uint8), connectivity=4)
    beyond = np.zeros(count, np.bool_)
    for edge in (found[0], found[-1], found[:, 0], found[:, -1]):
        beyond[edge] = True
    holes = off & ~beyond[found]
    if clear is not None:
        holes &= ~clear
    if holes.any() and len(assignment.cluster_lab):
        colours, which = np.unique(assignment.srgb[holes], axis=0, return_inverse=True)
        lab = srgb_to_lab(colours)
        nearest = np.zeros(len(colours), np.uint8)
        best = np.full(len(colours), np.inf)
        for i, centre in enumerate(assignment.cluster_lab):
            away = np.square(lab - centre).sum(axis=1)
            nearer = away < best
            nearest[nearer], best[nearer] = assignment.cluster_finish[i], away[nearer]
        out[holes] = nearest[which.ravel()]
    return out


def without_torn_marks(
    shown: Labels, wished: Labels, given: Labels, cluster_ids: Labels, *, feature_px: int, frame_px: float
) -> WithoutMarks | None:
    """The artwork without the marks that are torn in `shown`; None where none is.

    Parameters
    ----------
    shown : uint8 (H, W), the finishes of the board, OUTSIDE in holes and off the board.
    wished : uint8 (H, W), what they would be with nothing in the way, in holes too; OUTSIDE off the board.
    given : uint8 (H, W), what there is without art.
    cluster_ids : uint8 (H, W), each pixel's cluster.
    feature_px : the smallest feature.
    frame_px : so near to the board's outline and the picture's edge, nothing counts: that is how the picture is framed.
    """
    parts = _find(wished, feature_px)
    if not parts.mark.any():
        return None
    height, width = wished.shape
    framed = np.pad(wished != OUTSIDE, 1).view(np.uint8)
    inner = cv2.distanceTransform(framed, cv2.DIST_L2, cv2.DIST_MASK_5)[1:-1, 1:-1] > frame_px + _ACROSS_PX
    borders = [
        _borders(np.s_[a:b, c:d], np.s_[e:f, g:h], shown, wished, given, cluster_ids, parts, inner)
        for (a, b, c, d), (e, f, g, h) in _across(height, width)
    ]
    own, other, other_id, seen = (np.concatenate(values) for values in zip(*borders, strict=True))
    count = len(parts.box)
    whole = np.bincount(own, minlength=count)
    kept = np.bincount(own[seen], minlength=count)
    torn = parts.mark & (kept < _LEGIBLE * whole)
    if not torn.any():
        return None
    ground, ground_id = _grounds(own, other, other_id, count)
    torn &= ~parts.mark[ground]  # a mark in a mark goes with that one
    for i in np.flatnonzero(torn & (kept >= _SHORTENED * whole)).tolist():
        torn[i] = not _is_full(parts, i)
    if not torn.any():
        return None
    return _painted_over(wished, cluster_ids, parts, torn, ground, ground_id)


def _find(wished: Labels, feature_px: int) -> _Parts:
    of = np.zeros(wished.shape, np.int32)
    boxes: list[Numbers] = [np.zeros((1, 4), np.int64)]
    finishes: list[npt.NDArray[np.uint8]] = [np.full(1, OUTSIDE, np.uint8)]
    marks: list[Mask] = [np.zeros(1, np.bool_)]
    count = 1
    longest = max(MARK_FEATURES * feature_px, _MARK_SHARE * max(wished.shape))
    for j in np.unique(wished[wished != OUTSIDE]).tolist():
        mine = wished == j
        more, found, stats, _ = cv2.connectedComponentsWithStats(mine.view(np.uint8), connectivity=8)
        of[mine] = found[mine] + np.int32(count - 1)
        box = stats[1:, [cv2.CC_STAT_LEFT, cv2.CC_STAT_TOP, cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].astype(np.int64)
        across = box[:, 2:].max(axis=1)
        half_widths = np.zeros(more, np.float32)
        np.maximum.at(half_widths, found[mine], cv2.distanceTransform(mine.view(np.uint8), cv2.DIST_L2, 5)[mine])
        slender = half_widths[1:] <= 0.5 * _SLENDER * across
        large_enough = stats[1:, cv2.CC_STAT_AREA] >= feature_px**2
        marks.append(large_enough & (across <= longest) & (slender | (across <= MARK_FEATURES * feature_px)))
        boxes.append(box)
        finishes.append(np.full(more - 1, j, np.uint8))
        count += more - 1
    return _Parts(of=of, box=np.concatenate(boxes), finish=np.concatenate(finishes), mark=np.concatenate(marks))


def _across(height: int, width: int) -> list[tuple[tuple[int, int, int, int], tuple[int, int, int, int]]]:
    """Where pixels lie, and those some way up, down, left and right of them."""
    k = _ACROSS_PX
    upper, lower = (0, height - k, 0, width), (k, height, 0, width)
    left, right = (0, height, 0, width - k), (0, height, k, width)
    return [(upper, lower), (lower, upper), (left, right), (right, left)]


def _borders(
    at: tuple[slice, slice],
    beyond: tuple[slice, slice],
    shown: Labels,
    wished: Labels,
    given: Labels,
    cluster_ids: Labels,
    parts: _Parts,
    inner: Mask,
) -> tuple[Found, Found, Labels, Mask]:
    """Of each pair of pixels across a mark's border: mark, part beyond, its cluster, whether the border is seen.

    It is seen where both differ, and either is art or both are what the artwork has.
    """
    own, other = parts.of[at], parts.of[beyond]
    pair = parts.mark[own] & (own != other) & (other > 0) & inner[at]
    a, b = shown[at][pair], shown[beyond][pair]
    art = (a != given[at][pair]) | (b != given[beyond][pair])
    wanted = (a == wished[at][pair]) & (b == wished[beyond][pair])
    seen = (a != b) & (a != OUTSIDE) & (b != OUTSIDE) & (art | wanted)
    return own[pair], other[pair], cluster_ids[beyond][pair], seen


def _grounds(own: Found, other: Found, other_id: Labels, count: int) -> tuple[Numbers, npt.NDArray[np.uint8]]:
    """The part that lies round each for the longest way, int64 (n,), and its most frequent cluster there."""
    ground = np.zeros(count, np.int64)
    ground_id = np.full(count, NO_CLUSTER, np.uint8)
    pairs, times = np.unique(own.astype(np.int64) * count + other, return_counts=True)
    order = np.argsort(times, kind="stable")  # the longest last
    ground[pairs[order] // count] = pairs[order] % count
    there = other == ground[own]
    keys, times = np.unique(own[there].astype(np.int64) * 256 + other_id[there], return_counts=True)
    order = np.argsort(times, kind="stable")
    ground_id[keys[order] // 256] = keys[order] % 256
    return ground, ground_id


def _is_full(parts: _Parts, i: int) -> bool:
    left, top, width, height = parts.box[i].tolist()
    mine = (parts.of[top : top + height, left : left + width] == i).view(np.uint8)
    outlines, _ = cv2.findContours(mine, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = np.zeros_like(mine)
    cv2.fillConvexPoly(hull, cv2.convexHull(np.concatenate(outlines)), 1)
    return bool(np.count_nonzero(mine) >= _FULL * np.count_nonzero(hull))


def _painted_over(
    wished: Labels, cluster_ids: Labels, parts: _Parts, torn: Mask, ground: Numbers, ground_id: npt.NDArray[np.uint8]
) -> WithoutMarks:
    gone = torn | torn[ground]  # what lies in a torn mark, too
    onto = np.where(torn[ground], ground[ground], ground)
    ids = np.where(torn[ground], ground_id[ground], ground_id).astype(np.uint8)
    labels, clusters = wished.copy(), cluster_ids.copy()
    there = gone[parts.of]
    labels[there] = parts.finish[onto[parts.of[there]]]
    # Rims of the mark's colours lie in its ground, too.
    reach = np.ones((2 * _ACROSS_PX + 1,) * 2, np.uint8)
    near = np.where(there, parts.of, 0).astype(np.float32)
    near = np.asarray(cv2.dilate(near, reach), np.int32)
    near[there] = parts.of[there]
    around = (near > 0) & (there | (parts.of == onto[near]))
    clusters[around] = ids[near[around]]
    marks = tuple(
        LeftOutMark(finish=int(parts.finish[i]), left=left, top=top, right=left + width, low=top + height)
        for i in np.flatnonzero(torn).tolist()
        for left, top, width, height in [parts.box[i].tolist()]
    )
    return WithoutMarks(labels=labels, cluster_ids=clusters, there=around, marks=marks)
