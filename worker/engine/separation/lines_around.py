"""A dither's lines where a circuit cuts into them: whole in another finish, or not at all.

Where a line may not have its finish it goes on in the next best one that it may have, if a good part of it does. What
else is cut is left as it is given: short pieces, too, and those of less than the line's width.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats, Labels
from worker.engine.separation.around import as_wide_as
from worker.engine.separation.cells import FREE
from worker.engine.separation.stroke_cells import best_finishes, stroke_cells
from worker.engine.separation.strokes import Strokes

Mask = npt.NDArray[np.bool_]
_SHORT = 4
"""Cells: a piece of a line that is cut has so many in a row, at least (our own; no source)."""
_MINOR = 0.25
"""And another finish so much of the line, at least, as in `cut_strokes`."""


def lines_around(
    strokes: Strokes,
    errors: Floats,
    cell_px: int,
    decided: Labels,
    may: npt.NDArray[np.uint32],
    free: npt.NDArray[np.uint32],
    square: Mask,
) -> tuple[Labels, Mask]:
    """The cells that lines take, uint8 (h, w), FREE elsewhere; and those that stay as they are given, bool (h, w).

    Parameters
    ----------
    errors : float64 (n, k), of each line in each finish, infinite where it is not to be had; from `line_errors`.
    may, free : uint32 (h, w), the finishes that may stand at each cell, and that might with nothing in the way.
    decided, square : as in `stroke_cells`.
    """
    order = np.argsort(errors, axis=1, kind="stable")
    best = best_finishes(errors)
    whole, owner = stroke_cells(strokes, best, cell_px, decided, free, square)
    lines, _ = stroke_cells(strokes, best, cell_px, decided, may, square)
    wanted = whole != FREE
    least = _MINOR * np.bincount(owner[wanted], minlength=len(errors) + 1)
    for rank in range(1, errors.shape[1]):
        lost = wanted & (lines == FREE)
        if not lost.any():
            break
        number = owner[lost] - 1
        choice = np.full(lost.shape, FREE, np.uint8)
        second = order[number, rank]
        choice[lost] = np.where(np.isfinite(errors[number, second]), second, FREE)
        there = choice != FREE
        there[there] = (may[there] >> choice[there].astype(np.uint32)) & 1 == 1
        for k in np.unique(choice[there]).tolist():
            mine = there & (choice == k)
            mine &= ~_short(mine)
            lines[mine & (np.bincount(owner[mine], minlength=len(least)) >= least)[owner]] = k
    for y, x in np.argwhere(_wrong(lines, square)):
        lines[max(0, y - 1) : y + 1, max(0, x - 1) : x + 1] = FREE
    gone = wanted & (lines == FREE)
    near = _grown(gone)
    for k in np.unique(lines[lines != FREE]).tolist():
        lines[_short(lines == k, near)] = FREE
    drawn = lines != FREE
    lines[as_wide_as(wanted, 2) & drawn & ~as_wide_as(drawn, 2) & near] = FREE
    stays = (wanted & (lines == FREE)) | (drawn & (lines == FREE))
    return lines, stays


def _short(part: Mask, among: Mask | None = None) -> Mask:
    """Pieces of less than some cells in a row; of those that have a cell `among` these."""
    count, found, stats, _ = cv2.connectedComponentsWithStats(part.view(np.uint8), connectivity=8)
    short = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1) < _SHORT
    if among is not None:
        short &= np.bincount(found[among], minlength=count) > 0
    short[0] = False
    return np.asarray(short[found])


def _grown(part: Mask) -> Mask:
    return np.asarray(cv2.dilate(part.view(np.uint8), np.ones((3, 3), np.uint8)).view(np.bool_))


def _wrong(lines: Labels, square: Mask) -> Mask:
    """bool (h + 1, w + 1): squares of four cells that break a layer rule."""
    none = square.shape[0] - 1
    labels = np.pad(np.where(lines == FREE, np.uint8(none), lines), 1, constant_values=none)
    return np.asarray(~square[labels[:-1, :-1], labels[:-1, 1:], labels[1:, :-1], labels[1:, 1:]])
