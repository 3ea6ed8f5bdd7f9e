"""Lines drawn in a dither's cells: solid, in one finish each, and hanging together by the cells' sides.

A line's cells are those that its middle line runs through, and those that it covers mostly. What is not needed to hang
together and is covered less goes again: so a line as wide as a cell is one cell wide, or two where it runs aslant, and
one that is thinner is widened to a cell.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Floats, Labels
from worker.engine.colorimetry import LINEAR_RGB_TO_XYZ, lab_to_xyz, linear_rgb_to_xyz, xyz_to_lab
from worker.engine.difference import ciede2000, distances_to_each
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.palette.hull import LINEAR_RGB_TO_OPPONENT, project_onto_hull
from worker.engine.separation.cells import FREE
from worker.engine.separation.strokes import Lines, Strokes
from worker.finish import LayerRecipe

_DISTINCT = 0.5
"""A line's finish is so far from its ground as seen, at least, of what the line is in the artwork."""
_NEARER = 0.5
_NEARER_CERTAIN = 1.25
"""And so near to the line's colour, at most, of what its ground as seen is: else a mixture shows it better. A certain
line stays whole in a finish as far from it, before it falls into dashes."""
_COVERED = np.float32(0.5)
_SPARED = np.float32(0.55)
_END = np.float32(0.25)
"""Shares of a cell that a line covers: from which it is the line's; below which it goes where it isn't needed, and
where it is an end."""


def line_finishes(strokes: Strokes, colours: FinishColours, recipes: Sequence[LayerRecipe]) -> Labels:
    """The finish of each line, uint8 (n,), the nearest by CIEDE2000 that is told from its ground; FREE for none.

    colours, recipes : as in `line_errors`.
    """
    return best_finishes(line_errors(strokes, colours, recipes))


def best_finishes(errors: Floats) -> Labels:
    """uint8 (n,), FREE where there is none. `errors` : from `line_errors`."""
    return np.where(np.isfinite(errors).any(axis=1), errors.argmin(axis=1), FREE).astype(np.uint8)


def line_errors(strokes: Strokes, colours: FinishColours, recipes: Sequence[LayerRecipe]) -> Floats:
    """How far each line is shown amiss in each finish, float64 (n, k), infinite where it isn't told from its ground.

    colours, recipes : of the finishes that may be used; the numbers are places among them.
    """
    opponent = LINEAR_RGB_TO_OPPONENT
    linear = np.linalg.solve(LINEAR_RGB_TO_XYZ, lab_to_xyz(strokes.ground).T).T
    seen = project_onto_hull(linear @ opponent.T, colours.linear_rgb @ opponent.T) @ np.linalg.inv(opponent).T
    ground = xyz_to_lab(linear_rgb_to_xyz(seen))
    error = distances_to_each(strokes.lab, colours.lab)
    distinct = distances_to_each(ground, colours.lab) >= _DISTINCT * ciede2000(strokes.lab, strokes.ground)[:, None]
    most = np.where(strokes.certain, _NEARER_CERTAIN, _NEARER) * ciede2000(strokes.lab, ground)
    fits = distinct & (error <= most[:, None])
    return np.where(fits, error + _lost_beside(distances_to_each(strokes.ground, colours.lab), recipes), np.inf)


def _lost_beside(around: Floats, recipes: Sequence[LayerRecipe]) -> Floats:
    """How much worse a line's ground is shown beside each finish, since legend never stands beside an opening.

    around : float64 (n, k), how far the ground of each line is from each finish. Infinite where none may stand there.
    """
    lost = np.empty_like(around)
    for place, own in enumerate(recipes):
        beside = [
            i
            for i, other in enumerate(recipes)
            if i != place and not (own.legend and other.mask_opening) and not (own.mask_opening and other.legend)
        ]
        lost[:, place] = around[:, beside].min(axis=1) if beside else np.inf
    return np.asarray(np.maximum(lost - around.min(axis=1, keepdims=True), 0.0))


def stroke_cells(
    strokes: Strokes,
    finish: Labels,
    cell_px: int,
    decided: Labels,
    allowed: npt.NDArray[np.uint32],
    square: npt.NDArray[np.bool_],
) -> tuple[Labels, Lines]:
    """The cells that lines take, uint8 (h, w), FREE elsewhere; they break no layer rule among what is decided.

    And of each such cell the number of its line, int32 (h, w).

    Parameters
    ----------
    finish : uint8 (n,), of each line, in the numbers of `square`; FREE where it is left to the dither.
    decided : uint8 (h, w), FREE where nothing is.
    allowed : uint32 (h, w), the finishes that may stand at each cell; 0 where no line may.
    """
    height, width = decided.shape
    number = np.append(np.uint8(FREE), finish)
    line = np.where(number[strokes.line] == FREE, 0, strokes.line).astype(np.int32)
    rows = np.minimum(np.arange(line.shape[0]) * strokes.step // cell_px, height - 1)
    columns = np.minimum(np.arange(line.shape[1]) * strokes.step // cell_px, width - 1)
    share, owner = np.zeros((height, width), dtype=np.float32), np.zeros((height, width), dtype=np.int32)
    taken = np.zeros((height, width), dtype=np.bool_)
    # Longer lines first: where two meet, the shorter gives way, and before it what lies between lines.
    order = np.empty(len(finish) + 1, dtype=np.int64)
    order[0] = len(order)
    order[np.lexsort((-strokes.size, strokes.between)) + 1] = np.arange(len(finish))
    _cover(line, order, rows, columns, np.float32((strokes.step / cell_px) ** 2), share, owner)
    middle = line.copy()
    _thin(middle, np.flatnonzero(middle))
    _draw(middle, owner, rows, columns, share, taken)
    taken &= (allowed >> np.where(owner > 0, number[owner], 0).astype(np.uint32)) & 1 == 1
    spare = np.flatnonzero(taken & (share < _SPARED))
    drawn = np.where(taken, owner, np.int32(0))
    _prune(spare[np.argsort(share.ravel()[spare], kind="stable")], share, drawn)
    taken = drawn > 0
    none = square.shape[0] - 1
    labels = np.full((height + 2, width + 2), none, dtype=np.uint8)
    labels[1:-1, 1:-1] = np.where(decided == FREE, np.uint8(none), decided)
    places = np.flatnonzero(taken)
    _settle(
        places[np.argsort(order[owner.ravel()[places]], kind="stable")],
        share,
        owner,
        number,
        allowed,
        square,
        labels,
        taken,
    )
    return np.where(taken, labels[1:-1, 1:-1], np.uint8(FREE)), owner


@njit(cache=True, nogil=True, error_model="numpy")
def _cover(line, order, rows, columns, part, share, owner):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Of each cell, the first line in order that is in it, and how much of the cell that covers."""
    for turn in range(2):
        for y in range(line.shape[0]):
            for x in range(line.shape[1]):
                here = line[y, x]
                if here == 0:
                    continue
                i, j = rows[y], columns[x]
                if turn == 0:
                    if owner[i, j] == 0 or order[here] < order[owner[i, j]]:
                        owner[i, j] = here
                elif owner[i, j] == here:
                    share[i, j] += part


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _ring(numbers, y, x, ring):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Which of the eight around (y, x) have its number, 0 or 1, clockwise from above."""
    for i in range(8):
        v = y + (-1 if i in (0, 1, 7) else 1 if i in (3, 4, 5) else 0)
        u = x + (1 if i in (1, 2, 3) else -1 if i in (5, 6, 7) else 0)
        inside = 0 <= v < numbers.shape[0] and 0 <= u < numbers.shape[1]
        ring[i] = 1 if inside and numbers[v, u] == numbers[y, x] else 0


@njit(cache=True, nogil=True, error_model="numpy")
def _thin(line, places):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Leave each line's middle line, one sample wide: Zhang and Suen, "A fast parallel algorithm for thinning digital
    patterns", Communications of the ACM 27 (1984).

    places : int64 (m,), of all samples of lines; overwritten.
    """
    width = line.shape[1]
    some = places.shape[0]
    gone = np.empty(some, dtype=np.int64)
    ring = np.empty(8, dtype=np.int64)
    changed = True
    while changed:
        changed = False
        for turn in range(2):
            count = left = 0
            for k in range(some):
                place = places[k]
                _ring(line, place // width, place % width, ring)
                around = steps = 0
                for i in range(8):
                    around += ring[i]
                    steps += 1 if ring[i] == 0 and ring[(i + 1) % 8] == 1 else 0
                if turn == 0:
                    free = ring[0] * ring[2] * ring[4] == 0 and ring[2] * ring[4] * ring[6] == 0
                else:
                    free = ring[0] * ring[2] * ring[6] == 0 and ring[0] * ring[4] * ring[6] == 0
                if 2 <= around <= 6 and steps == 1 and free:
                    gone[count] = place
                    count += 1
                else:
                    places[left] = place
                    left += 1
            some = left
            for k in range(count):
                line[gone[k] // width, gone[k] % width] = 0
            changed |= count > 0


@njit(cache=True, nogil=True, error_model="numpy")
def _draw(middle, owner, rows, columns, share, taken):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Take the cells along middle lines, side by side, and those that are mostly covered."""
    height, width = middle.shape
    for y in range(height):
        for x in range(width):
            here = middle[y, x]
            if here == 0:
                continue
            i, j = rows[y], columns[x]
            if owner[i, j] == here:
                taken[i, j] = True
            for k in range(4):
                v, u = (y, x + 1) if k == 0 else (y + 1, x + k - 2)
                if v >= height or u < 0 or u >= width or middle[v, u] != here:
                    continue
                ii, jj = rows[v], columns[u]
                if ii == i or jj == j:
                    continue
                # From one cell to another across a corner: by the one that is covered more.
                if share[i, jj] >= share[ii, j]:
                    ii = i
                else:
                    jj = j
                if owner[ii, jj] == 0:
                    owner[ii, jj] = here
                if owner[ii, jj] == here:
                    taken[ii, jj] = True
    for i in range(owner.shape[0]):
        for j in range(owner.shape[1]):
            if owner[i, j] > 0 and share[i, j] >= _COVERED:
                taken[i, j] = True


@njit(cache=True, nogil=True, error_model="numpy")
def _prune(order, share, drawn):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Give up cells, in order, that are covered little and without which the line hangs together as before.

    drawn : int32 (h, w), the line that takes each cell; 0 for none.
    """
    height, width = drawn.shape
    ring = np.empty(8, dtype=np.int64)
    cut = np.zeros((height + 2, width + 2), dtype=np.bool_)
    for place in order:
        y, x = place // width, place % width
        _ring(drawn, y, x, ring)
        sides = parts = corners = 0
        for i in range(0, 8, 2):
            sides += ring[i]
            corners += ring[i + 1]
            # Yokoi's number: parts that would be left around it.
            parts += ring[i] - ring[i] * ring[i + 1] * ring[(i + 2) % 8]
        if parts != 1 or share[y, x] >= _SPARED:
            continue
        if sides == 1:
            # An end goes once; else a thin line would go from end to end.
            if (corners == 0 and share[y, x] >= _END) or cut[y : y + 3, x : x + 3].any():
                continue
            cut[y + 1, x + 1] = True
        drawn[y, x] = 0


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _first_wrong(labels, square, y, x):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Of the four squares that a padded place is in, the first that breaks a rule: 0 to 3, or -1."""
    for k in range(4):
        v, u = y - 1 + k // 2, x - 1 + k % 2
        if not square[labels[v, u], labels[v, u + 1], labels[v + 1, u], labels[v + 1, u + 1]]:
            return k
    return -1


@njit(cache=True, nogil=True, error_model="numpy")
def _settle(places, share, owner, number, allowed, square, labels, taken):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Set the cells in `labels`, in order; where two would touch at a corner only, one between them is taken as well.

    A cell that breaks a rule all the same is not taken.
    """
    height, width = taken.shape
    none = square.shape[0] - 1
    for place in places:
        y, x = place // width, place % width
        label = number[owner[y, x]]
        if labels[y + 1, x + 1] != none:
            taken[y, x] = labels[y + 1, x + 1] == label
            continue
        labels[y + 1, x + 1] = label
        good = _first_wrong(labels, square, y + 1, x + 1) < 0
        if not good:
            labels[y + 1, x + 1] = none
            taken[y, x] = False
    # `none` breaks no rule, so what would touch at a corner only is looked for by itself.
    again = True
    while again:
        again = False
        for y in range(1, height):
            for x in range(1, width):
                a, b, c, d = labels[y, x], labels[y, x + 1], labels[y + 1, x], labels[y + 1, x + 1]
                down = a == d and a != none and b != a and c != a
                up = b == c and b != none and a != b and d != b
                if not down and not up:
                    continue
                label = a if down else b
                one = (y - 1, x) if down else (y - 1, x - 1)
                two = (y, x - 1) if down else (y, x)
                if share[two] > share[one]:
                    one, two = two, one
                for v, u in (one, two):
                    if labels[v + 1, u + 1] != none or not (allowed[v, u] >> np.uint32(label)) & 1:
                        continue
                    labels[v + 1, u + 1] = label
                    if _first_wrong(labels, square, v + 1, u + 1) < 0:
                        taken[v, u] = True
                        again = True
                        break
                    labels[v + 1, u + 1] = none
