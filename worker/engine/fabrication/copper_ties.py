"""Floating copper tied together: narrow bridges under the mask, where they show least.

The board is looked at in cells as wide as the narrowest copper line. A bridge is a path of cells from one part of the
copper to another; a cell costs what copper in it would add to the error against the artwork, and a little for its
length. No bridge runs where the mask is open over bare laminate, within the mask's tolerance of it, or too near to the
edge. From each part the cheapest paths spread until they meet those of others (a shortest path forest, Dijkstra 1959),
and of all meetings the cheapest are taken that still join two trees (a minimum spanning tree, Kruskal 1956). What then
breaks a limit of the fab is mended, or left out by itself (`copper_bridges.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Floats, Srgb, check_array
from worker.engine.fabrication.bit_morphology import Bits, dilate, disc_within, erode
from worker.engine.fabrication.bit_parts import Parts, connected_parts
from worker.engine.fabrication.border_rule import tolerances_of, whole_pixels
from worker.engine.fabrication.copper_bridges import keep_makeable_bridges
from worker.engine.fabrication.edge_bands import Edges, edge_band
from worker.engine.fabrication.layer_bits import LayerBits, layer_bits, with_layers
from worker.engine.fabrication.layer_faults import widest_px
from worker.engine.fabrication.planes import COPPER, FREE_COPPER, LayerPlanes, Stack, finish_by_layers
from worker.engine.fabrication.rims import colour_errors
from worker.engine.fabrication.stack_colours import nearest_finish
from worker.engine.threads import row_strips, run_all
from worker.fab_profile import FabProfile

LENGTH_COST = 0.5
"""CIEDE2000 that a cell of bridge costs besides what it shows, so that bridges are short where none of it shows."""
_BLOCKED = np.float32(np.inf)
_STRIP = 16
_ONE = np.uint64(1)

Cells = npt.NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joined:
    """Planes whose copper parts are fewer, how many there were and are, and the area of the copper that was added.

    left_out : how many bridges there might have been besides, had they not broken a limit of the fab. Pads of plated
    holes that were taken apart (`edge_keep_out.py`) count as no part, and nothing is joined to them.
    """

    planes: LayerPlanes
    before: int
    after: int
    added_mm2: float
    left_out: int


def tie_copper(planes: LayerPlanes, fab: FabProfile, colours_lab: Floats, srgb: Srgb, *, threads: int = 1) -> Joined:
    """Join the copper's parts by bridges as narrow as the fab can make them.

    Parameters
    ----------
    colours_lab : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes.
    srgb : uint8 (H, W, 3), encoded sRGB
        The artwork on the grid of the planes.
    """
    check_array("srgb", srgb, dtype=np.uint8, shape=(*planes.stack.shape, 3))
    side = max(1, whole_pixels(fab.limits["copper", "line_mm"].value_mm, planes.pitch_um))
    bits, barred = _packed(planes, fab, threads)
    before = bits.copper.copy()
    parts = connected_parts(bits.copper, corners=False, threads=threads)
    if parts.count < 2:
        return _joined(planes, bits, parts.count, 0, fab, threads)
    costs = _cell_costs(planes.stack, fab, colours_lab, srgb, bits, barred, side, threads)
    owners, shared = _owners(parts, bits, costs.shape, side)
    rows, columns = _bridges(costs, owners, shared, parts.count)
    _fill_cells(bits.copper, bits.opening, bits.board, side, bits.frame.pad_px, rows, columns)
    left_out = keep_makeable_bridges(bits, before, barred, fab, planes.pitch_um, threads=threads)
    return _joined(planes, bits, parts.count, left_out, fab, threads)


def join_copper(planes: LayerPlanes, fab: FabProfile, *, threads: int = 1) -> Joined:
    """Join the parts of copper that lie near each other: gaps under the mask up to twice the fab's gap are filled.

    Filled where two or more parts meet, and where copper may be, as for `tie_copper`. What is filled shows where copper
    under the mask does.
    """
    reach = whole_pixels(fab.limits["copper", "gap_mm"].value_mm, planes.pitch_um)
    bits, barred = _packed(planes, fab, threads)
    before = bits.copper.copy()
    parts = connected_parts(bits.copper, corners=False, threads=threads)
    near = disc_within(float(reach))
    closed = erode(dilate(bits.copper, near, threads=threads), near, threads=threads)
    filling = closed & ~bits.copper & ~barred & ~bits.opening & bits.board
    pieces = connected_parts(filling, corners=False, threads=threads)
    touching = np.full((pieces.count, 2), -1, dtype=np.int64)
    _touched(pieces.first_run, pieces.starts, pieces.ends, pieces.part, *_runs(parts), touching)
    wanted = (touching[:, 0] >= 0) & (touching[:, 0] != touching[:, 1])
    _add_runs(pieces.first_run, pieces.starts, pieces.ends, pieces.part, wanted, bits.copper)
    left_out = keep_makeable_bridges(bits, before, barred, fab, planes.pitch_um, threads=threads)
    return _joined(planes, bits, parts.count, left_out, fab, threads)


def _packed(planes: LayerPlanes, fab: FabProfile, threads: int) -> tuple[LayerBits, Bits]:
    """The layers, and where no copper may be added."""
    shift = whole_pixels(tolerances_of(fab).solder_mask_mm, planes.pitch_um)
    bits = layer_bits(planes, largest_px=max(2 * shift + 1, widest_px(fab, planes.pitch_um)), threads=threads)
    barred = dilate(bits.opening & ~bits.copper, disc_within(float(shift)), threads=threads) | ~bits.board
    edges = Edges(outside=~bits.board, plated=bits.plated, pads=bits.pads)
    band = edge_band(edges, fab, "copper", planes.pitch_um, threads=threads)
    return bits, barred if band is None else barred | band


def _runs(parts: Parts) -> tuple[npt.NDArray[np.int64], Cells, Cells, Cells]:
    return parts.first_run, parts.starts, parts.ends, parts.part


def _joined(planes: LayerPlanes, bits: LayerBits, before: int, left_out: int, fab: FabProfile, threads: int) -> Joined:
    seen = finish_by_layers(fab)
    table = np.arange(256, dtype=np.uint8)
    table[seen != seen[np.arange(256) ^ COPPER]] &= np.uint8(255 & ~FREE_COPPER)
    stack = with_layers(planes.stack, bits, table, threads=threads)
    added = int(((stack ^ planes.stack) & np.uint8(COPPER) != 0).sum())
    return Joined(
        planes=LayerPlanes(stack=stack, pitch_um=planes.pitch_um),
        before=before,
        after=connected_parts(bits.copper, corners=False, threads=threads).count,
        added_mm2=added * (planes.pitch_um / 1000.0) ** 2,
        left_out=left_out,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _sum_cells(stack, srgb, column, errors, copper, barred, pad_px, side, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """For each cell, mean error that copper would add in it; blocked where it may not be."""
    height, width = stack.shape
    for i in range(first, last):
        for k in range(out.shape[1]):
            total = np.float32(0.0)
            count = 0
            for y in range(i * side, min((i + 1) * side, height)):
                for x in range(k * side, min((k + 1) * side, width)):
                    count += 1
                    place, shift = (x + pad_px) >> 6, np.uint64((x + pad_px) & 63)
                    if (copper[y + pad_px, place] >> shift) & _ONE:
                        continue
                    if (barred[y + pad_px, place] >> shift) & _ONE:
                        total = _BLOCKED
                        continue
                    now, then = column[stack[y, x]], column[stack[y, x] | COPPER]
                    if now != then:
                        r, g, b = srgb[y, x, 0], srgb[y, x, 1], srgb[y, x, 2]
                        cell = (np.int64(r >> 3) << 10) | (np.int64(g >> 3) << 5) | np.int64(b >> 3)
                        total += errors[cell, then] - errors[cell, now]
            # Where copper would even be the better colour a bridge is free, but no path is ever paid for.
            out[i, k] = max(total / count, np.float32(0.0)) + np.float32(LENGTH_COST)


def _cell_costs(
    stack: Stack,
    fab: FabProfile,
    colours_lab: Floats,
    srgb: Srgb,
    bits: LayerBits,
    barred: Bits,
    side: int,
    threads: int,
) -> Float32s:
    nearest = nearest_finish(fab)
    column = np.where(nearest < len(fab.finishes), nearest, 0).astype(np.uint8)
    errors = colour_errors(colours_lab)
    out = np.empty((-(-stack.shape[0] // side), -(-stack.shape[1] // side)), dtype=np.float32)
    pad = bits.frame.pad_px
    run_all(
        lambda a, b: _sum_cells(stack, srgb, column, errors, bits.copper, barred, pad, side, a, b, out),
        row_strips(out.shape[0], _STRIP),
        threads,
    )
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _own_cells(first_run, starts, ends, part, pad_px, side, owners, shared):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The first part in each cell, and (cell, part) of others that share it. Returns how many of those there were."""
    n = 0
    rows, columns = owners.shape
    for y in range(pad_px, min(first_run.shape[0] - 1, pad_px + rows * side)):
        i = (y - pad_px) // side
        for run in range(first_run[y], first_run[y + 1]):
            for k in range((starts[run] - pad_px) // side, min((ends[run] - pad_px - 1) // side + 1, columns)):
                if owners[i, k] < 0:
                    owners[i, k] = part[run]
                elif owners[i, k] != part[run]:
                    if n < shared.shape[0]:
                        shared[n, 0], shared[n, 1] = i * columns + k, part[run]
                    n += 1
    return n


def _owners(parts: Parts, bits: LayerBits, shape: tuple[int, ...], side: int) -> tuple[Cells, npt.NDArray[np.int64]]:
    runs = _runs(parts)
    owners = np.full(shape, -1, dtype=np.int32)
    shared = np.empty((0, 2), dtype=np.int64)
    count = int(_own_cells(*runs, bits.frame.pad_px, side, owners, shared))
    shared = np.empty((count, 2), dtype=np.int64)
    _own_cells(*runs, bits.frame.pad_px, side, owners, shared)
    return owners, np.unique(shared, axis=0)


@njit(cache=True, nogil=True, error_model="numpy")
def _push(keys, cells, n, key, cell):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Add to a heap of n entries, ordered by key, then by cell."""
    i = n
    while i > 0:
        up = (i - 1) >> 1
        if keys[up] < key or (keys[up] == key and cells[up] <= cell):
            break
        keys[i], cells[i] = keys[up], cells[up]
        i = up
    keys[i], cells[i] = key, cell


@njit(cache=True, nogil=True, error_model="numpy")
def _pop(keys, cells, n):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Take the least of a heap of n entries off, leaving n - 1."""
    least, cell = keys[0], cells[0]
    key, last = keys[n - 1], cells[n - 1]
    i = 0
    while True:
        child = 2 * i + 1
        if child >= n - 1:
            break
        if child + 1 < n - 1 and (
            keys[child + 1] < keys[child] or (keys[child + 1] == keys[child] and cells[child + 1] < cells[child])
        ):
            child += 1
        if key < keys[child] or (key == keys[child] and last <= cells[child]):
            break
        keys[i], cells[i] = keys[child], cells[child]
        i = child
    keys[i], cells[i] = key, last
    return least, cell


@njit(cache=True, nogil=True, error_model="numpy")
def _spread(costs, owners, distance, came_from):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Cheapest paths from all owned cells at once; `owners` is filled in as they spread."""
    rows, columns = costs.shape
    keys = np.empty(5 * rows * columns + 8, dtype=np.float64)
    cells = np.empty(5 * rows * columns + 8, dtype=np.int64)
    done = np.zeros((rows, columns), dtype=np.bool_)
    n = 0
    for y in range(rows):
        for x in range(columns):
            if owners[y, x] >= 0 and costs[y, x] < _BLOCKED:
                distance[y, x] = costs[y, x]
                _push(keys, cells, n, distance[y, x], y * columns + x)
                n += 1
            elif owners[y, x] >= 0:
                owners[y, x] = -1
    while n > 0:
        key, cell = _pop(keys, cells, n)
        n -= 1
        y, x = cell // columns, cell % columns
        if done[y, x]:
            continue
        done[y, x] = True
        for dy, dx in ((-1, 0), (0, -1), (0, 1), (1, 0)):
            yy, xx = y + dy, x + dx
            if yy < 0 or xx < 0 or yy >= rows or xx >= columns or done[yy, xx] or costs[yy, xx] == _BLOCKED:
                continue
            reached = key + costs[yy, xx]
            if reached < distance[yy, xx]:
                distance[yy, xx] = reached
                owners[yy, xx] = owners[y, x]
                came_from[yy, xx] = cell
                _push(keys, cells, n, reached, yy * columns + xx)
                n += 1


def _bridges(
    costs: Float32s, owners: Cells, shared: npt.NDArray[np.int64], count: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Rows and columns of the cells that bridges fill."""
    columns = costs.shape[1]
    first_owner = owners.ravel()[shared[:, 0]].astype(np.int64)
    distance = np.full(costs.shape, np.inf)
    came_from = np.full(costs.shape, -1, dtype=np.int64)
    _spread(costs, owners, distance, came_from)
    flat, cost = distance.ravel(), costs.ravel()
    cells = np.arange(costs.size, dtype=np.int64).reshape(costs.shape)
    pairs = [
        (cells[:, :-1].ravel(), cells[:, 1:].ravel()),
        (cells[:-1].ravel(), cells[1:].ravel()),
    ]
    one, other = (np.concatenate([pair[side] for pair in pairs]) for side in (0, 1))
    owner = owners.ravel().astype(np.int64)
    meets = (owner[one] >= 0) & (owner[other] >= 0) & (owner[one] != owner[other])
    one, other = one[meets], other[meets]
    free = cost[shared[:, 0]] < np.inf
    # (weight, cell, cell, part, part): meetings of neighbouring cells, and of two parts within one cell.
    weights = np.concatenate([flat[one] + flat[other], cost[shared[free, 0]]])
    ends = np.stack(
        [
            np.concatenate([one, shared[free, 0]]),
            np.concatenate([other, shared[free, 0]]),
            np.concatenate([owner[one], first_owner[free]]),
            np.concatenate([owner[other], shared[free, 1]]),
        ],
        axis=1,
    )
    order = np.argsort(weights, kind="stable")
    marked = np.zeros(costs.size, dtype=np.bool_)
    _take(ends[order], np.arange(count), came_from.ravel(), marked)
    found = np.flatnonzero(marked)
    return found // columns, found % columns


@njit(cache=True, nogil=True, error_model="numpy")
def _take(ends, parent, came_from, marked):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Mark the cells of the meetings that join two trees, and of the paths that lead there."""
    for n in range(ends.shape[0]):
        one, other = ends[n, 2], ends[n, 3]
        while parent[one] != one:
            parent[one] = parent[parent[one]]
            one = parent[one]
        while parent[other] != other:
            parent[other] = parent[parent[other]]
            other = parent[other]
        if one == other:
            continue
        parent[max(one, other)] = min(one, other)
        for side in range(2):
            cell = ends[n, side]
            while cell >= 0 and not marked[cell]:
                marked[cell] = True
                cell = came_from[cell]


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_cells(copper, opening, board, side, pad_px, rows, columns):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Copper all over these cells, under closed mask."""
    for n in range(rows.shape[0]):
        for y in range(rows[n] * side + pad_px, (rows[n] + 1) * side + pad_px):
            for x in range(columns[n] * side + pad_px, (columns[n] + 1) * side + pad_px):
                place, bit = x >> 6, _ONE << np.uint64(x & 63)
                if board[y, place] & bit and not opening[y, place] & bit:
                    copper[y, place] |= bit


@njit(cache=True, nogil=True, error_model="numpy")
def _touched(first_run, starts, ends, piece, copper_first, copper_starts, copper_ends, part, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """For each piece the lowest and the highest number of the parts of copper that its pixels' sides touch."""
    rows = first_run.shape[0] - 1
    for y in range(rows):
        for row in range(max(0, y - 1), min(rows, y + 2)):
            slack = 1 if row == y else 0
            n = copper_first[row]
            for run in range(first_run[y], first_run[y + 1]):
                while n < copper_first[row + 1] and copper_ends[n] + slack <= starts[run]:
                    n += 1
                m = n
                while m < copper_first[row + 1] and copper_starts[m] < ends[run] + slack:
                    k, number = piece[run], part[m]
                    out[k, 0] = number if out[k, 0] < 0 else min(out[k, 0], number)
                    out[k, 1] = max(out[k, 1], number)
                    m += 1


@njit(cache=True, nogil=True, error_model="numpy")
def _add_runs(first_run, starts, ends, part, wanted, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(first_run.shape[0] - 1):
        for run in range(first_run[y], first_run[y + 1]):
            if wanted[part[run]]:
                for x in range(starts[run], ends[run]):
                    out[y, x >> 6] |= _ONE << np.uint64(x & 63)
