"""What is left of an artwork's strokes and marks where something in their way, such as a circuit, cuts into them.

A part of the artwork is what hangs together in the finish that it would have with nothing in its way. What is left of
it may be in several pieces, and each of them in that finish and in others that stand for it. A piece that shows less
than half of the stroke's width is a half-cut stroke, one no longer than the stroke is wide a scrap, and a mark of which
less than half is left is none: they go back to what is there without the art. So does the little that has another
finish than the rest of the part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels

Mask = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.int64]
Widths = npt.NDArray[np.float32]

HALF = 0.5
"""Of a stroke's width, or of a mark's area: with less left it is half-cut (our own; no source)."""
SEAM_FEATURES = 5
"""A stroke counts as no wider than so many smallest features. What stands for another finish and is narrower is seen as
an outline in a third colour (our own; no source)."""
_STUB = 2.0
"""What is left by itself has at least so many squares of the stroke's width."""
_MINOR = 0.25
"""Less than this share of what is left of a part is too little of another finish (our own; no source)."""
MARK_FEATURES = 20
"""A part is one mark, as a letter, a star or a dot, up to so many smallest features across: 3 mm at 0.15 mm, three
times the usual least height of letters (our own; no source)."""
_WIDEST_PX = 1e6
"""Of a part that fills the picture."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Parts:
    """Connected parts of the artwork in one finish that are cut. of : int32 (H, W), 0 for none. area, across : int64
    (n,), pixels, and the longer side of the box. strokes : float32 (H, W), half widths. feature_px : of the finish."""

    of: npt.NDArray[np.int32]
    area: Numbers
    across: Numbers
    strokes: Widths
    feature_px: int


def without_scraps(
    labels: Labels, wished: Labels, given: Labels, features_mm: Sequence[float], *, pitch_um: float
) -> Labels:
    """Labels without half-cut strokes, scraps and thin seams of the art along what the given places have cut.

    Parameters
    ----------
    labels : uint8 (H, W), what the art has become, OUTSIDE in holes and off the board.
    wished : what it would be with nothing in its way, in holes too; OUTSIDE off the board.
    given : what there is without art.
    features_mm : smallest feature of each finish of the profile.
    """
    art = (labels != given) & (labels != OUTSIDE)
    cut = labels != wished
    if not art.any() or not cut.any():
        return labels
    out = labels.copy()
    sizes = [max(1, int(np.ceil(feature * 1000.0 / pitch_um))) for feature in features_mm]
    for i, size in enumerate(sizes):
        part = art & (labels == i)
        if part.any():
            # a stroke may go on where the circuit has the finish already
            scraps = part & ~_opened(labels == i, size) & _grown(cut, size)
            out[scraps] = given[scraps]
    for j, size in enumerate(sizes):
        parts = _cut_parts(wished == j, cut, size)
        if parts is None:
            continue
        for drop_of in (_other_finishes, _half_cut):
            shown = (parts.of > 0) & (out != OUTSIDE) & ((out != given) | (given == j))
            drop = drop_of(out, shown, parts, j) & (out != given)
            out[drop] = given[drop]
    return out


def _cut_parts(of_finish: Mask, cut: Mask, feature_px: int) -> _Parts | None:
    if not (of_finish & cut).any():
        return None
    count, found, stats, _ = cv2.connectedComponentsWithStats(of_finish.view(np.uint8), connectivity=8)
    chosen = np.zeros(count, np.bool_)
    chosen[found[of_finish & cut]] = True
    found[~chosen[found]] = 0
    strokes = _half_widths(of_finish)
    return _Parts(
        of=np.asarray(found, np.int32),
        area=stats[:, cv2.CC_STAT_AREA].astype(np.int64),
        across=stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1).astype(np.int64),
        strokes=strokes,
        feature_px=feature_px,
    )


def _other_finishes(out: Labels, shown: Mask, parts: _Parts, wished: int) -> Mask:
    """What has another finish than the rest of its part, shows a small share of it, and is thin or small.

    Of the artwork's own finish only what is thinner than half the stroke, at the rim of a piece in other finishes.
    """
    drop = np.zeros_like(shown)
    finishes = np.unique(out[shown])
    if len(finishes) < 2:
        return drop
    whole = np.bincount(parts.of[shown], minlength=len(parts.area))
    seam = SEAM_FEATURES * parts.feature_px
    for i in finishes.tolist():
        mine = shown & (out == i)
        if i != wished:
            mine &= (np.bincount(parts.of[mine], minlength=len(whole)) < _MINOR * whole)[parts.of]
        if not mine.any():
            continue
        found, area, width, stroke = _measured(mine, _half_widths(out == i), parts)
        if i == wished:
            little = (width < HALF * stroke) & (area < _MINOR * _areas_round(found, shown))
        else:
            little = (width < seam) | (area < _STUB * (2 * seam) ** 2)
        little[0] = False
        drop |= little[found]
    return drop


def _areas_round(found: npt.NDArray[np.int32], shown: Mask) -> Numbers:
    """int64 (n,): the area of the connected piece in any finish that each of the pieces found lies in."""
    _, round_it, stats, _ = cv2.connectedComponentsWithStats(shown.view(np.uint8), connectivity=8)
    out = np.zeros(int(found.max()) + 1, np.int64)
    out[found] = stats[round_it, cv2.CC_STAT_AREA]
    return out


def _half_cut(out: Labels, shown: Mask, parts: _Parts, wished: int) -> Mask:
    """Pieces that are too thin or too short for the stroke, and all pieces of a mark of which too little is left."""
    found, area, width, stroke = _measured(shown, _half_widths(shown), parts)
    part = np.zeros(len(area), np.int64)
    part[found[shown]] = parts.of[shown]
    drop = (width < HALF * stroke) | ((area < _STUB * stroke**2) & (area < HALF * parts.area[part]))
    left = np.bincount(parts.of[shown], minlength=len(parts.area))
    marks = parts.across <= MARK_FEATURES * parts.feature_px
    drop |= (marks & (left < HALF * parts.area))[part]
    drop[0] = False
    return np.asarray(drop[found])


def _measured(pieces: Mask, own: Widths, parts: _Parts) -> tuple[npt.NDArray[np.int32], Numbers, Widths, Widths]:
    """Connected pieces, int32 (H, W), and of each area, width, and the width of the stroke that it is left of.

    The stroke's is the largest nearby in the same part, up to that of a seam.
    """
    count, components, stats, _ = cv2.connectedComponentsWithStats(pieces.view(np.uint8), connectivity=8)
    found = np.asarray(components, np.int32)
    part = np.zeros(count, np.int32)
    part[found[pieces]] = parts.of[pieces]
    seam = SEAM_FEATURES * parts.feature_px
    reach = cv2.getStructuringElement(cv2.MORPH_RECT, (seam | 1, seam | 1))
    near = np.asarray(cv2.dilate(found.astype(np.float32), reach), np.int32)
    near[pieces] = found[pieces]
    same = (near > 0) & (parts.of == part[near])
    width = 2.0 * _largest(own[pieces], found[pieces], count)
    stroke = np.minimum(2.0 * _largest(parts.strokes[same], near[same], count), seam)
    return found, stats[:, cv2.CC_STAT_AREA].astype(np.int64), width, stroke


def _largest(values: npt.NDArray[np.float32], of: npt.NDArray[np.int32], count: int) -> npt.NDArray[np.float32]:
    out = np.zeros(count, np.float32)
    np.maximum.at(out, of, values)
    return out


def _half_widths(part: Mask) -> npt.NDArray[np.float32]:
    """float32 (H, W): how far each pixel's centre is from the part's edge; beyond the picture it goes on."""
    away = cv2.distanceTransform(part.view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)  # within 2 % (Borgefors 1986)
    return np.asarray(np.clip(away - np.float32(0.5), 0, _WIDEST_PX), np.float32)


def _opened(part: Mask, size: int) -> Mask:
    """What of a part is as wide as a disc of so many pixels; beyond the picture it goes on."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    there = size // 2, size - 1 - size // 2  # the discs of even size have no middle: what is opened must not move
    thinned = cv2.erode(part.view(np.uint8), disc, anchor=there[:1] * 2, borderValue=1)
    return np.asarray(cv2.dilate(thinned, disc[::-1, ::-1], anchor=there[1:] * 2).view(np.bool_)) & part


def _grown(part: Mask, by_px: int) -> Mask:
    return np.asarray(cv2.dilate(part.view(np.uint8), np.ones((2 * by_px + 1,) * 2, np.uint8)).view(np.bool_))
