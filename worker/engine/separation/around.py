"""Art that flows around what is given, such as a circuit: what it may not change whole, it leaves as it is.

What is given needs not keep the art's own rules, so a dither leaves those cells out and asks no rule about them. A cell
on a given edge is the art's if all of it may take one finish that is nearer to the artwork than what is given.
In hard regions no stroke is left that the given places have cut narrower than the fab makes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.separation.cells import Cells, cell_edges, gather_cells
from worker.engine.separation.places import Places

Mask = npt.NDArray[np.bool_]
SEAM_FEATURES = 5
"""What stands for another finish beside a part that has it, or a third one, is at least so many features wide."""
_SCRAP_SQUARES = 4.0
"""A thin part of a third finish goes if its area is below so many squares of that width; longer ones are a drawing."""


def cells_left_out(
    cells: Cells, places: Places, given: Labels, size: int, colours: FinishColours, active: Sequence[int]
) -> Mask:
    """bool (h, w): cells of a dither that stay as they are given.

    Parameters
    ----------
    cells : of the artwork, with what every pixel of each allows. size : side of a cell in pixels.
    active : the finishes that the dither mixes.
    """
    rows, columns = (cell_edges(length, size)[:-1] for length in given.shape)
    off = given == OUTSIDE
    lowest = _over_cells(np.minimum, given, rows, columns)
    highest = _over_cells(np.maximum, np.where(off, np.uint8(0), given), rows, columns)
    nothing = lowest == OUTSIDE
    may = cells.allowed & np.uint32(sum(1 << i for i in active))
    own = np.uint32(1) << np.minimum(lowest, 31).astype(np.uint32)
    out = np.asarray(~nothing & (may & ~np.where(lowest == highest, own, np.uint32(0)) == 0))
    if places.frozen is not None:
        out |= _over_cells(np.logical_or, (places.frozen != OUTSIDE) & ~off, rows, columns)
    edge = ~nothing & (lowest != highest) & ~out
    if edge.any():
        shown = colours.srgb[np.where(off, np.uint8(0), given)]
        as_given = gather_cells(np.ascontiguousarray(shown), size, decided=None, wanted=None, allowed=None).srgb
        out[edge] = _given_is_nearer(cells.srgb[edge], as_given[edge], may[edge], colours)
    return out


def _over_cells(reduce: np.ufunc, values: npt.NDArray[Any], rows: Any, columns: Any) -> npt.NDArray[Any]:
    return np.asarray(reduce.reduceat(reduce.reduceat(values, rows, axis=0), columns, axis=1))


def _given_is_nearer(art: Any, given: Any, may: npt.NDArray[np.uint32], colours: FinishColours) -> Mask:
    """bool (n,): whether what is given is no farther from the artwork than the best finish that a cell may take."""
    wanted = srgb_to_lab(art)
    best = np.full(len(may), np.inf)
    for i, lab in enumerate(colours.lab):
        there = (may >> np.uint32(i)) & np.uint32(1) == 1
        best[there] = np.minimum(best[there], ciede2000(wanted[there], lab))
    return np.asarray(ciede2000(wanted, srgb_to_lab(given)) <= best)


def without_scraps(
    labels: Labels, wished: Labels, given: Labels, features_mm: Sequence[float], *, pitch_um: float
) -> Labels:
    """Labels without art that the given places have cut narrower than its finish can be made, and without thin seams.

    A seam is art that stands for a finish that it may not have, beside a part that has it: of a width of a few features
    it shows as an outline of a third colour.

    Parameters
    ----------
    labels : uint8 (H, W), what the art has become. wished : what it would be with nothing in its way.
    features_mm : smallest feature of each finish of the profile.
    """
    art = (labels != given) & (labels != OUTSIDE)
    cut = (labels != wished) & (labels != OUTSIDE)
    if not art.any() or not cut.any():
        return labels
    out = labels.copy()
    for i, feature in enumerate(features_mm):
        size = max(1, int(np.ceil(feature * 1000.0 / pitch_um)))
        instead = art & cut & (labels == i)
        thin = instead & ~_opened(instead, SEAM_FEATURES * size) if instead.any() else instead
        for j in np.unique(wished[thin]):
            beside = _grown(art & ~cut & (labels == j), SEAM_FEATURES * size)
            seams = thin & (wished == j) & beside
            seams |= _scraps_beside(thin & (wished == j), art & (labels != i) & (wished == j), SEAM_FEATURES * size)
            out[seams] = given[seams]
        part = art & (out == i)
        if part.any():
            # a stroke may go on where the circuit has the finish already
            scraps = part & ~_opened(out == i, size) & _grown(cut, size)
            out[scraps] = given[scraps]
    return out


def _scraps_beside(parts: Mask, others: Mask, size: int) -> Mask:
    """Connected parts that touch one of the others and are smaller than a few squares of a side."""
    count, found, stats, _ = cv2.connectedComponentsWithStats(parts.view(np.uint8), connectivity=8)
    drop = np.zeros(count, np.bool_)
    drop[np.unique(found[parts & _grown(others, 2)])] = True
    drop &= stats[:, cv2.CC_STAT_AREA] < _SCRAP_SQUARES * size**2
    drop[0] = False
    return np.asarray(drop[found])


def _opened(part: Mask, size: int) -> Mask:
    """What of a part is as wide as a disc of so many pixels; beyond the picture it goes on."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    thinned = cv2.erode(part.view(np.uint8), disc, borderValue=1)
    return np.asarray(cv2.dilate(thinned, disc[::-1, ::-1]).view(np.bool_))


def _grown(part: Mask, by_px: int) -> Mask:
    return np.asarray(cv2.dilate(part.view(np.uint8), np.ones((2 * by_px + 1,) * 2, np.uint8)).view(np.bool_))
