"""The same diffusion where some cells are decided ahead of the scan, pinned or restricted.

With decided cells ahead, the upper neighbour's finish need not be legal, and the scan can get stuck. Then the cells
just decided around the place are decided again by search, in a window that grows; a place where that fails is named.
Cells that are decided or pinned are solid: they pass no error on. Dots that are kept from an earlier piece of a series
do, so that what is decided anew between them goes on with their mixture.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Labels
from worker.engine.palette.hull import OFFSETS, WEIGHTS, interpolate
from worker.engine.separation.cells import FREE, Cells
from worker.engine.separation.diffusion_tables import DiffusionTables, carried, cube_place, in_range, unpaid
from worker.engine.separation.families import BLOCK, Families, choose_families
from worker.errors import ImpossiblePlaceError

_WINDOWS = 4
_MOST_STEPS = 200_000


def diffuse_restricted(
    cells: Cells,
    families: Families,
    tables: DiffusionTables,
    *,
    near: npt.NDArray[np.int64],
    active: int,
    cell_mm: float,
    dots: npt.NDArray[np.bool_] | None = None,
    left_out: npt.NDArray[np.bool_] | None = None,
    fours: npt.NDArray[np.bool_] | None = None,
) -> Labels:
    """One finish per cell, obeying what is decided, pinned and allowed.

    Parameters
    ----------
    cells : with finishes numbered as in `tables`.
    near : int64 (n, n)
        For each finish, all finishes from the nearest to the farthest: what a pinned cell takes where its own finish
        is illegal.
    active : bit set of the finishes that free cells may take.
    cell_mm : side of a cell, for messages.
    dots : bool (h, w) or None, decided cells that are part of a mixture.
    left_out : bool (h, w) or None, cells that stay as they are, and that no rule asks about: 0 in the result.
    fours : bool, blocks where bare laminate comes in fours, as in `diffusion.diffuse_once`; or None.

    Raises
    ------
    ImpossiblePlaceError
        Decided cells break a layer rule among themselves, or leave no finish that may stand at a place.
    """
    height, width = cells.srgb.shape[:2]
    none = len(tables.finishes)
    labels = np.full((height + 2, width + 2), none, dtype=np.uint8)
    inner = labels[1:-1, 1:-1]
    decided = cells.decided != FREE
    inner[decided] = cells.decided[decided]
    if left_out is not None:
        decided |= left_out
        inner[left_out] = none
    _check_decided(labels, tables, cell_mm)
    y, x = _scan(
        cells.srgb,
        cells.allowed & np.uint32(active),
        decided,
        np.zeros_like(decided) if dots is None else dots & decided,
        cells.wanted,
        choose_families(cells.srgb, families),
        families.bits.astype(np.int64),
        families.hulls,
        WEIGHTS,
        OFFSETS,
        tables.ranked,
        tables.companded,
        tables.finishes,
        tables.square,
        np.int64(0 if tables.gap is None else tables.gap.bare),
        np.zeros((0, 0), dtype=np.bool_) if fours is None else fours,
        near,
        labels,
    )
    if y >= 0:
        error = ImpossiblePlaceError(
            f"No finish may stand at {(x + 0.5) * cell_mm:.3f} mm from the left and {(y + 0.5) * cell_mm:.3f} mm from "
            f"the top (cell row {y}, column {x}): what is decided or allowed around it breaks a layer rule with each.",
            mend="Allow more finishes around that place, or decide fewer of them.",
        )
        error.cells = ((int(y), int(x)),)
        raise error
    if left_out is not None:
        inner[left_out] = 0
    return np.ascontiguousarray(inner)


def _check_decided(labels: Labels, tables: DiffusionTables, cell_mm: float) -> None:
    may = tables.square[labels[:-1, :-1], labels[:-1, 1:], labels[1:, :-1], labels[1:, 1:]]
    if may.all():
        return
    wrong = np.argwhere(~may)
    y, x = (int(i) for i in wrong[0])
    error = ImpossiblePlaceError(
        f"The decided places around {x * cell_mm:.3f} mm from the left and {y * cell_mm:.3f} mm from the top break a "
        "layer rule: two parts touch at a corner only, or legend stands beside an opening of the solder mask.",
        mend="Decide one of them otherwise, or leave a cell between them free.",
    )
    # A square's lower right cell; its upper left one lies within a cell of it.
    error.cells = tuple((int(row), int(column)) for row, column in wrong)
    raise error


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def fits(labels, square, y, x, label):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Whether `label` breaks no rule at (y, x), padded, with all its neighbours as far as they are known."""
    up, down = y - 1, y + 1
    left, right = x - 1, x + 1
    return (
        square[labels[up, left], labels[up, x], labels[y, left], label]
        and square[labels[up, x], labels[up, right], label, labels[y, right]]
        and square[labels[y, left], label, labels[down, left], labels[down, x]]
        and square[label, labels[y, right], labels[down, x], labels[down, right]]
    )


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _goes_on(labels, bare, y, x, candidate):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Whether bare laminate goes on in fours as `legal_by_parity` says; it begins where all four are free."""
    before = np.int64(62)
    if y & 1:
        before = np.int64(labels[y, x + 1])
    elif x & 1:
        before = np.int64(labels[y + 1, x])
    own = (bare >> candidate) & 1
    if (bare >> before) & 1:
        return candidate == before
    if not own:
        return True
    if (y | x) & 1:
        return False
    for v, u in ((y + 1, x + 2), (y + 2, x + 1), (y + 2, x + 2)):
        there = labels[v, u]
        if there != candidate and there != labels[0, 0]:
            return False
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def _search(labels, square, allowed, decided, y, x, reach):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Decide the free cells around (y, x), up to it in the scan, anew; false where no way is found."""
    width = allowed.shape[1]
    none = square.shape[0] - 1
    most = (2 * reach + 1) * (reach + 1)
    ys = np.empty(most, dtype=np.int64)
    xs = np.empty(most, dtype=np.int64)
    before = np.empty(most, dtype=np.int64)
    tried = np.full(most, -1, dtype=np.int64)
    count = 0
    for v in range(max(y - reach, 0), y + 1):
        for u in range(max(x - reach, 0), min(x + reach + 1, width)):
            if decided[v, u] or (v == y and u > x):
                continue
            ys[count], xs[count] = v, u
            before[count] = labels[v + 1, u + 1]
            labels[v + 1, u + 1] = none
            count += 1
    place = 0
    steps = 0
    while 0 <= place < count and steps < _MOST_STEPS:
        steps += 1
        v, u = ys[place], xs[place]
        labels[v + 1, u + 1] = none
        found = False
        # First what stood there, then all others in order.
        while tried[place] < none:
            t = tried[place]
            tried[place] = t + 1
            candidate = before[place] if t < 0 else t
            if candidate >= none or (t >= 0 and candidate == before[place]):
                continue
            if (allowed[v, u] >> np.uint32(candidate)) & 1 and fits(labels, square, v + 1, u + 1, candidate):
                labels[v + 1, u + 1] = candidate
                found = True
                break
        if found:
            place += 1
            if place < count:
                tried[place] = -1
        else:
            place -= 1
    if place == count:
        return True
    for k in range(count):
        labels[ys[k] + 1, xs[k] + 1] = before[k]
    return False


@njit(cache=True, nogil=True, error_model="numpy")
def _scan(  # type: ignore[no-untyped-def]
    srgb,
    allowed,
    decided,
    dots,
    wanted,
    family,
    bits,
    table,
    weights,
    offsets,
    ranked,
    companded,
    finishes,
    square,
    bare,
    fours,
    near,
    labels,
):  # pragma: no cover - compiled
    height, width = allowed.shape
    none = square.shape[0] - 1
    errors = np.zeros((2, width + 2), dtype=np.int64)
    for y in range(height):
        above, here = errors[y & 1], errors[(y + 1) & 1]
        here[:] = 0
        for x in range(width):
            pinned = wanted[y, x] != FREE
            if decided[y, x] and (pinned or not dots[y, x]):
                continue
            here_family = family[y // BLOCK, x // BLOCK]
            target = interpolate(
                np.int64(srgb[y, x, 0]),
                np.int64(srgb[y, x, 1]),
                np.int64(srgb[y, x, 2]),
                table[here_family],
                weights,
                offsets,
            )
            value = in_range(target + carried(here[x], above[x], above[x + 1], above[x + 2]))
            if decided[y, x]:
                here[x + 1] = unpaid(value, finishes[labels[y + 1, x + 1]])
                continue
            in_fours = len(fours) > 0 and fours[y // BLOCK, x // BLOCK]
            order = ranked[cube_place(value, companded)]
            label = none
            # First a member of the family that goes on with fours; where two families meet, any other.
            for turn in range(2):
                rest = order
                for k in range(none):
                    candidate = near[wanted[y, x], k] if pinned else rest & 15
                    rest >>= 4
                    if turn == 0 and not pinned and not (bits[here_family] >> candidate) & 1:
                        continue
                    if turn == 0 and in_fours and not _goes_on(labels, bare, y, x, candidate):
                        continue
                    if (allowed[y, x] >> np.uint32(candidate)) & 1 and fits(labels, square, y + 1, x + 1, candidate):
                        label = candidate
                        break
                if label != none:
                    break
            if label == none:
                found = False
                for reach in range(1, _WINDOWS + 1):
                    if _search(labels, square, allowed, decided, y, x, reach):
                        found = True
                        break
                if not found:
                    return y, x
                label = np.int64(labels[y + 1, x + 1])
            labels[y + 1, x + 1] = label
            if not pinned:
                here[x + 1] = unpaid(value, finishes[label])
    return -1, -1
