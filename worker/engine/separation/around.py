"""Art that flows around what is given, such as a circuit: what it may not change whole, it leaves as it is.

What is given needs not keep the art's own rules, so a dither leaves those cells out and asks no rule about them. A cell
on a given edge is the art's if all of it may take one finish that is nearer to the artwork than what is given.
What it has cut in hard regions, `cut_strokes` looks at.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.separation.cells import Cells, cell_edges, gather_cells
from worker.engine.separation.places import Places

Mask = npt.NDArray[np.bool_]


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
