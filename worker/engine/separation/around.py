"""Art that flows around what is given, such as a circuit: what it may not change whole, it leaves as it is.

What is given needs not keep the art's own rules, so a dither leaves those cells out and asks no rule about them. A cell
on a given edge is the art's if all of it may take one finish that is nearer to the artwork than what is given. Nor does
art have cells in a narrow strip where it would have another finish than round it: they would be a seam.
What it has cut in hard regions, `cut_strokes` looks at.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.difference import ciede2000, distances_to_each
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.separation.cells import Cells, cell_edges, gather_cells
from worker.engine.separation.places import Places

Mask = npt.NDArray[np.bool_]
_BROAD = 8
"""Cells: in a narrower strip, what stands for another finish is seen as an outline in a third colour (our own; no
source)."""


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
    every = np.uint32(sum(1 << i for i in active))
    may = cells.allowed & every
    own = np.uint32(1) << np.minimum(lowest, 31).astype(np.uint32)
    out = np.asarray(~nothing & (may & ~np.where(lowest == highest, own, np.uint32(0)) == 0))
    if places.frozen is not None:
        out |= _over_cells(np.logical_or, (places.frozen != OUTSIDE) & ~off, rows, columns)
    out |= _seams(cells.srgb, may, ~nothing & ~out, colours, active)
    edge = ~nothing & (lowest != highest) & ~out
    if edge.any():
        shown = colours.srgb[np.where(off, np.uint8(0), given)]
        as_given = gather_cells(np.ascontiguousarray(shown), size, decided=None, wanted=None, allowed=None).srgb
        out[edge] = _given_is_nearer(cells.srgb[edge], as_given[edge], may[edge], colours)
    return out


def as_wide_as(part: Mask, cells: int) -> Mask:
    """What of a part is so many cells wide; beyond the picture it goes on."""
    import cv2  # takes a while to load, and most artworks have the board to themselves

    side = np.ones((cells, cells), np.uint8)
    there = cells // 2, cells - 1 - cells // 2  # squares of even size have no middle: what is opened must not move
    thinned = cv2.erode(part.view(np.uint8), side, anchor=there[:1] * 2, borderValue=1)
    return np.asarray(cv2.dilate(thinned, side, anchor=there[1:] * 2).view(np.bool_))


def _over_cells(reduce: np.ufunc, values: npt.NDArray[Any], rows: Any, columns: Any) -> npt.NDArray[Any]:
    return np.asarray(reduce.reduceat(reduce.reduceat(values, rows, axis=0), columns, axis=1))


def _seams(art: Any, may: npt.NDArray[np.uint32], free: Mask, colours: FinishColours, active: Sequence[int]) -> Mask:
    """bool (h, w): free cells in narrow strips that may not take what is nearest of all that may stand round them."""
    lacks = np.stack([free & ((may >> np.uint32(i)) & 1 == 0) for i in active], axis=-1)
    some = lacks.any(axis=-1)
    out = np.zeros_like(free)
    if not some.any():
        return out
    broadly = np.stack([as_wide_as(np.ascontiguousarray(lacks[..., k]), _BROAD) for k in range(len(active))], axis=-1)[
        some
    ]
    away = distances_to_each(srgb_to_lab(art[some]), colours.lab[list(active)])
    nearest = np.where(broadly, np.inf, away).argmin(axis=1)
    out[some] = lacks[some][np.arange(len(nearest)), nearest]
    return out


def _given_is_nearer(art: Any, given: Any, may: npt.NDArray[np.uint32], colours: FinishColours) -> Mask:
    """bool (n,): whether what is given is no farther from the artwork than the best finish that a cell may take."""
    wanted = srgb_to_lab(art)
    best = np.full(len(may), np.inf)
    for i, lab in enumerate(colours.lab):
        there = (may >> np.uint32(i)) & np.uint32(1) == 1
        best[there] = np.minimum(best[there], ciede2000(wanted[there], lab))
    return np.asarray(ciede2000(wanted, srgb_to_lab(given)) <= best)
