"""Specks: connected parts smaller than the smallest dot of their finish, given to a neighbour.

Parts are 4-connected, since a fab can't hold two parts together at a corner. They are found on runs of equal labels,
not on pixels, so that flat art costs little. The smallest part goes first, to the neighbouring finish with which it
shares the longest border; what it joins grows, and may be no speck any longer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Labels
from worker.engine.disjoint_sets import number_sets, root, unite
from worker.engine.threads import row_strips, run_all


def smallest_areas(features_mm: Sequence[float], pitch_um: float) -> npt.NDArray[np.int64]:
    """Pixels of the smallest dot of each finish: a disc as wide as its smallest feature, int64 (n,)."""
    return np.array(
        [max(1, math.ceil(math.pi / 4.0 * (feature * 1000.0 / pitch_um) ** 2)) for feature in features_mm],
        dtype=np.int64,
    )


def remove_specks(
    labels: Labels,
    least_px: npt.NDArray[np.int64],
    *,
    allowed: npt.NDArray[np.uint32] | None = None,
    frozen: npt.NDArray[np.bool_] | None = None,
    in_place: bool = False,
    threads: int = 1,
) -> Labels:
    """Labels in which no part is smaller than `least_px` of its finish, where that can be had.

    Parameters
    ----------
    labels : uint8 (H, W)
    least_px : int64 (n,)
        From `smallest_areas`.
    allowed : uint32 (H, W) or None
        A part only goes to a finish that is allowed at every one of its pixels.
    frozen : bool (H, W) or None
        A part with a frozen pixel stays.
    in_place : bool
        Whether `labels` may be written over.
    """
    while True:
        out = _remove_once(labels, least_px, allowed, frozen, in_place and allowed is None, threads)
        # A part that had nowhere to go may have, once its neighbours went elsewhere. Parts grow fewer, so this ends.
        if allowed is None or out is labels or np.array_equal(out, labels):
            return out
        labels = out


def _remove_once(
    labels: Labels,
    least_px: npt.NDArray[np.int64],
    allowed: npt.NDArray[np.uint32] | None,
    frozen: npt.NDArray[np.bool_] | None,
    in_place: bool,
    threads: int,
) -> Labels:
    height = labels.shape[0]
    strips = row_strips(height, 256)
    counts = np.zeros(height + 1, dtype=np.int64)
    run_all(lambda a, b: _count_runs(labels, a, b, counts), strips, threads)
    first_run = np.cumsum(counts)
    total = int(first_run[-1])
    starts = np.empty(total, dtype=np.int32)
    values = np.empty(total, dtype=np.uint8)
    run_all(lambda a, b: _fill_runs(labels, a, b, first_run, starts, values), strips, threads)
    parent = np.arange(total, dtype=np.int32)
    run_all(lambda a, b: _join(first_run, starts, values, labels.shape[1], a + 1, b, parent), strips, threads)
    for a, _ in strips[1:]:
        _join(first_run, starts, values, labels.shape[1], a, a + 1, parent)
    component, areas, part_labels = _number(first_run, starts, values, labels.shape[1], parent)
    limits = np.full(256, 0, dtype=np.int64)
    limits[: len(least_px)] = least_px
    small = areas < limits[part_labels]
    if not small.any():
        return labels
    free = np.full(len(areas), 0xFFFFFFFF, dtype=np.uint32)
    if allowed is not None or frozen is not None:
        _restrict(
            first_run,
            starts,
            component,
            labels.shape[1],
            np.zeros((1, 1), dtype=np.uint32) if allowed is None else allowed,
            allowed is not None,
            np.zeros((1, 1), dtype=np.bool_) if frozen is None else frozen,
            frozen is not None,
            free,
        )
        small &= free != 0
    offsets, neighbours, borders = _contacts(first_run, starts, component, small, labels.shape[1])
    order = np.flatnonzero(small)
    order = order[np.argsort(areas[order], kind="stable")].astype(np.int32)
    final = _merge(len(least_px), order, areas.copy(), part_labels, limits, free, offsets, neighbours, borders)
    out = labels if in_place else labels.copy()
    run_all(lambda a, b: _repaint(first_run, starts, values, component, final, a, b, out), strips, threads)
    return out


@njit(cache=True, nogil=True)
def _count_runs(labels, first, last, counts):  # type: ignore[no-untyped-def]  # pragma: no cover
    for y in range(first, last):
        row = labels[y]
        n = 1
        for x in range(1, row.shape[0]):
            n += row[x] != row[x - 1]
        counts[y + 1] = n


@njit(cache=True, nogil=True)
def _fill_runs(labels, first, last, first_run, starts, values):  # type: ignore[no-untyped-def]  # pragma: no cover
    for y in range(first, last):
        row = labels[y]
        n = first_run[y]
        starts[n] = 0
        values[n] = row[0]
        n += 1
        for x in range(1, row.shape[0]):
            if row[x] != row[x - 1]:
                starts[n] = x
                values[n] = row[x]
                n += 1


@njit(cache=True, nogil=True)
def _join(first_run, starts, values, width, first, last, parent):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Join runs of rows first..last with touching runs of the same label in the row above each."""
    for y in range(first, last):
        i, i_end = first_run[y - 1], first_run[y]
        j, j_end = first_run[y], first_run[y + 1]
        while i < i_end and j < j_end:
            if values[i] == values[j]:
                unite(parent, i, j)
            end_i = starts[i + 1] if i + 1 < i_end else width
            end_j = starts[j + 1] if j + 1 < j_end else width
            if end_i <= end_j:
                i += 1
            if end_j <= end_i:
                j += 1


@njit(cache=True, nogil=True)
def _number(first_run, starts, values, width, parent):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Part of each run, and area and label of each part, parts in reading order."""
    component = np.empty(starts.shape[0], dtype=np.int32)
    count = number_sets(parent, component)
    areas = np.zeros(count, dtype=np.int64)
    part_labels = np.zeros(count, dtype=np.uint8)
    for y in range(first_run.shape[0] - 1):
        for i in range(first_run[y], first_run[y + 1]):
            end = starts[i + 1] if i + 1 < first_run[y + 1] else width
            areas[component[i]] += end - starts[i]
            part_labels[component[i]] = values[i]
    return component, areas, part_labels


@njit(cache=True, nogil=True)
def _restrict(first_run, starts, component, width, allowed, use_allowed, frozen, use_frozen, free):  # type: ignore[no-untyped-def]  # pragma: no cover
    for y in range(first_run.shape[0] - 1):
        for i in range(first_run[y], first_run[y + 1]):
            end = starts[i + 1] if i + 1 < first_run[y + 1] else width
            for x in range(starts[i], end):
                if use_allowed:
                    free[component[i]] &= allowed[y, x]
                if use_frozen and frozen[y, x]:
                    free[component[i]] = 0


@njit(cache=True, nogil=True)
def _visit(first_run, starts, component, small, width, counting, offsets, place, neighbours, borders):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Go through all contacts of small parts: count them, or write them down."""
    for y in range(first_run.shape[0] - 1):
        for i in range(first_run[y], first_run[y + 1] - 1):
            a, b = component[i], component[i + 1]
            if small[a]:
                if counting:
                    offsets[a + 1] += 1
                else:
                    neighbours[place[a]] = b
                    borders[place[a]] = 1
                    place[a] += 1
            if small[b]:
                if counting:
                    offsets[b + 1] += 1
                else:
                    neighbours[place[b]] = a
                    borders[place[b]] = 1
                    place[b] += 1
        if y == 0:
            continue
        i, i_end = first_run[y - 1], first_run[y]
        j, j_end = first_run[y], first_run[y + 1]
        while i < i_end and j < j_end:
            end_i = starts[i + 1] if i + 1 < i_end else width
            end_j = starts[j + 1] if j + 1 < j_end else width
            a, b = component[i], component[j]
            if a != b:
                border = min(end_i, end_j) - max(starts[i], starts[j])
                if small[a]:
                    if counting:
                        offsets[a + 1] += 1
                    else:
                        neighbours[place[a]] = b
                        borders[place[a]] = border
                        place[a] += 1
                if small[b]:
                    if counting:
                        offsets[b + 1] += 1
                    else:
                        neighbours[place[b]] = a
                        borders[place[b]] = border
                        place[b] += 1
            if end_i <= end_j:
                i += 1
            if end_j <= end_i:
                j += 1


@njit(cache=True, nogil=True)
def _contacts(first_run, starts, component, small, width):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Neighbours of every small part with the length of the border shared: rows of a sparse matrix."""
    none = np.zeros(1, dtype=np.int32)
    offsets = np.zeros(small.shape[0] + 1, dtype=np.int64)
    _visit(first_run, starts, component, small, width, True, offsets, offsets, none, none)
    offsets = np.cumsum(offsets)
    neighbours = np.empty(offsets[-1], dtype=np.int32)
    borders = np.empty(offsets[-1], dtype=np.int32)
    _visit(first_run, starts, component, small, width, False, offsets, offsets.copy(), neighbours, borders)
    return offsets, neighbours, borders


@njit(cache=True, nogil=True)
def _merge(finishes, order, areas, part_labels, limits, free, offsets, neighbours, borders):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Final label of each part. Parts that merge form chains, through which a grown speck finds its borders."""
    count = areas.shape[0]
    parent = np.arange(count).astype(np.int32)
    label = part_labels.copy()
    following = np.full(count, -1, dtype=np.int32)
    tail = np.arange(count).astype(np.int32)
    length = np.zeros(256, dtype=np.int64)
    for start in order:
        here = root(parent, start)
        while areas[here] < limits[label[here]]:
            length[:] = 0
            member = here
            while member >= 0:
                for k in range(offsets[member], offsets[member + 1]):
                    other = root(parent, neighbours[k])
                    if other != here:
                        length[label[other]] += borders[k]
                member = following[member]
            best = -1
            for candidate in range(finishes):
                longer = length[candidate] > (0 if best < 0 else length[best])
                if longer and (free[here] >> np.uint32(candidate)) & 1:
                    best = candidate
            if best < 0:
                break
            label[here] = best
            member = here
            last = tail[here]
            while True:
                for k in range(offsets[member], offsets[member + 1]):
                    other = root(parent, neighbours[k])
                    if other != here and label[other] == best:
                        # Everything of that finish beside the speck hangs together from now on.
                        parent[other] = here
                        areas[here] += areas[other]
                        free[here] &= free[other]
                        following[tail[here]] = other
                        tail[here] = tail[other]
                if member == last:
                    break
                member = following[member]
    final = np.empty(count, dtype=np.uint8)
    for i in range(count):
        final[i] = label[root(parent, i)]
    return final


@njit(cache=True, nogil=True)
def _repaint(first_run, starts, values, component, final, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    width = out.shape[1]
    for y in range(first, last):
        for i in range(first_run[y], first_run[y + 1]):
            label = final[component[i]]
            if label != values[i]:
                end = starts[i + 1] if i + 1 < first_run[y + 1] else width
                for x in range(starts[i], end):
                    out[y, x] = label
