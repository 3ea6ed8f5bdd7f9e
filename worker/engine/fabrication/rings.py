"""Rings: a layer's contour, made of the arcs that have the layer on one side only.

A ring runs along pixels that hold together by their sides, with the layer on its right; areas that it leaves out may
touch at corners. Where it would meet itself at a corner it is cut in two, so every ring is simple: rings touch each
other at nodes at most.

A ring's depth says how many others lie round it, at least: 0 for an outer ring, 1 for a hole, 2 for an island in that
hole. Painted in order of depth, odd ones cleared, the rings give the layer. Depths are counted by areas: from the
outside of the picture, how many contours of the layer are to be crossed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.contours import TRACED, Bytes, Contours, Ints, join, root_of

CHUNK_POINTS = 1 << 16
_FORWARD, _BACKWARD = 1, 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rings:
    """The rings of one layer, R of them, ordered by depth and then by place. Arrays are read-only.

    arcs : int32 (n,)
        The arcs of each ring in order: 2 * arc, plus 1 where it is run through backwards.
    starts : int64 (R + 1,)
        Where each ring begins in `arcs`.
    depths : int32 (R,)
        0 for an outer ring, 1 for a hole, and so on.
    """

    contours: Contours
    arcs: Ints
    starts: npt.NDArray[np.int64]
    depths: Ints

    def __post_init__(self) -> None:
        for array in (self.arcs, self.starts, self.depths):
            array.setflags(write=False)

    def __len__(self) -> int:
        return len(self.depths)

    @property
    def points(self) -> int:
        """How many points all rings have."""
        return int(_count_points(self.arcs, self.contours.starts))

    def ring(self, i: int) -> Ints:
        """int32 (n, 2): the lattice points of one ring, column and row, the first not repeated."""
        parts = []
        for reference in self.arcs[self.starts[i] : self.starts[i + 1]]:
            arc = self.contours.arc(reference >> 1)
            parts.append(arc[:0:-1] if reference & 1 else arc[:-1])
        return np.concatenate(parts)

    def in_chunks(self, chosen: npt.NDArray[np.int64]) -> Iterator[npt.NDArray[np.int64]]:
        """Chosen rings in shares of about CHUNK_POINTS points, so that a file is written in small pieces."""
        if not len(chosen):
            return
        points = np.cumsum(_ring_sizes(self.arcs, self.starts, self.contours.starts)[chosen])
        cuts = np.flatnonzero(np.diff(points // CHUNK_POINTS, prepend=-1, append=-1))
        for first, past in pairwise(cuts):
            yield chosen[first:past]

    def __iter__(self) -> Iterator[Ints]:
        return (self.ring(i) for i in range(len(self)))


def layer_rings(contours: Contours, bits: int) -> Rings:
    """The rings of the pixels in which any of these bits is set: COPPER, OPENING, LEGEND or BOARD."""
    return rings_of(contours, (np.arange(256) & bits & TRACED) != 0)


def rings_of(contours: Contours, drawn: npt.NDArray[np.bool_]) -> Rings:
    """The rings of the pixels whose label is drawn. `drawn` : bool (256,), by label; label 0 is what lies outside."""
    inside = drawn[contours.sides]
    ways = np.where(inside[:, 0] == inside[:, 1], 0, np.where(inside[:, 1], _FORWARD, _BACKWARD)).astype(np.uint8)
    arcs, starts = _assemble(ways, contours.ends, contours.headings, contours.at_nodes)
    depths = _depths(ways, arcs, starts, contours.faces)
    return _by_depth(contours, arcs, starts, depths)


def _by_depth(contours: Contours, arcs: Ints, starts: npt.NDArray[np.int64], depths: Ints) -> Rings:
    order = np.argsort(depths, kind="stable")
    lengths = np.diff(starts)[order]
    new_starts = np.concatenate([np.zeros(1, np.int64), np.cumsum(lengths)])
    places = np.repeat(starts[:-1][order] - new_starts[:-1], lengths) + np.arange(len(arcs))
    return Rings(contours=contours, arcs=arcs[places], starts=new_starts, depths=depths[order])


@njit(cache=True, nogil=True, error_model="numpy")
def _count_points(arcs: Ints, starts: npt.NDArray[np.int64]) -> int:
    total = 0
    for reference in arcs:
        total += starts[(reference >> 1) + 1] - starts[reference >> 1] - 1
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _ring_size(arcs: Ints, first: int, past: int, arc_starts: npt.NDArray[np.int64]) -> int:
    size = 0
    for i in range(first, past):
        size += arc_starts[(arcs[i] >> 1) + 1] - arc_starts[arcs[i] >> 1] - 1
    return size


@njit(cache=True, nogil=True, error_model="numpy")
def _ring_sizes(arcs: Ints, starts: npt.NDArray[np.int64], arc_starts: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    sizes = np.zeros(len(starts) - 1, np.int64)
    for ring in range(len(sizes)):
        sizes[ring] = _ring_size(arcs, starts[ring], starts[ring + 1], arc_starts)
    return sizes


@njit(cache=True, nogil=True, error_model="numpy")
def room_for(
    arcs: Ints,
    starts: npt.NDArray[np.int64],
    chosen: npt.NDArray[np.int64],
    arc_starts: npt.NDArray[np.int64],
) -> tuple[int, int]:
    """Points of the chosen rings in all, the first of each counted once, and those of the longest one."""
    total, longest = 0, 0
    for ring in chosen:
        size = _ring_size(arcs, starts[ring], starts[ring + 1], arc_starts)
        total += size
        longest = max(longest, size)
    return total, longest


@njit(cache=True, nogil=True, error_model="numpy")
def put_ring(arcs: Ints, first: int, past: int, points: Ints, arc_starts: npt.NDArray[np.int64], out: Ints) -> int:
    """Write a ring's lattice points, the first not repeated, into `out`; return how many."""
    n = 0
    for i in range(first, past):
        arc = arcs[i] >> 1
        begin, end = arc_starts[arc], arc_starts[arc + 1] - 1
        for k in range(end - begin):
            out[n] = points[end - k] if arcs[i] & 1 else points[begin + k]
            n += 1
    return n


@njit(cache=True, nogil=True, error_model="numpy")
def _next(reference: int, ways: Bytes, ends: Ints, headings: Bytes, at_nodes: Ints) -> int:
    """The arc that goes on round the same pixel: the first with the layer on one side, turning right, ahead or left."""
    arc, backward = reference >> 1, reference & 1
    node = ends[arc, 1 - backward]
    heading = headings[arc, 0] + 2 if backward else headings[arc, 1]
    for turn in (1, 0, 3):
        following = at_nodes[node, (heading + turn) & 3]
        if following >= 0 and ways[following >> 1] != 0:
            return int(following)
    return -1


@njit(cache=True, nogil=True, error_model="numpy")
def _assemble(ways: Bytes, ends: Ints, headings: Bytes, at_nodes: Ints) -> tuple[Ints, npt.NDArray[np.int64]]:
    """Rings as arcs. A ring that comes back to a node of its own is cut off there."""
    total = 0
    for way in ways:
        total += way != 0
    arcs = np.empty(total, np.int32)
    starts = np.zeros(total + 1, np.int64)
    path = np.empty(total + 1, np.int32)
    place = np.full(len(at_nodes), -1, np.int32)  # in the path, of the arc that leaves a node
    done = np.zeros(len(ways), np.uint8)
    n, rings = 0, 0
    for first in range(len(ways)):
        if ways[first] == 0 or done[first]:
            continue
        reference = 2 * first + (ways[first] == _BACKWARD)
        if ends[first, 0] < 0:
            arcs[n] = reference
            n += 1
            rings += 1
            starts[rings] = n
            continue
        length = 0
        while not done[reference >> 1]:
            done[reference >> 1] = 1
            path[length] = reference
            place[ends[reference >> 1, reference & 1]] = length
            length += 1
            back_at = place[ends[reference >> 1, 1 - (reference & 1)]]
            if back_at >= 0:
                for i in range(back_at, length):
                    arcs[n] = path[i]
                    n += 1
                    place[ends[path[i] >> 1, path[i] & 1]] = -1
                rings += 1
                starts[rings] = n
                length = back_at
            reference = _next(reference, ways, ends, headings, at_nodes)
    return arcs, starts[: rings + 1].copy()


@njit(cache=True, nogil=True, error_model="numpy")
def _depths(ways: Bytes, arcs: Ints, starts: npt.NDArray[np.int64], faces: Ints) -> Ints:
    """For each ring the fewest contours between the outside of the picture and what lies round it."""
    depth_of = _face_depths(ways, faces)
    depths = np.empty(len(starts) - 1, np.int32)
    for ring in range(len(depths)):
        least = np.int32(2**31 - 1)
        for i in range(starts[ring], starts[ring + 1]):
            side = (arcs[i] >> 1) * 2
            least = min(least, depth_of[faces[side]], depth_of[faces[side + 1]])
        depths[ring] = least
    return depths


@njit(cache=True, nogil=True, error_model="numpy")
def _face_depths(ways: Bytes, faces: Ints) -> Ints:
    """For each area how many of the layer's contours lie between it and the outside, by breadth-first search."""
    count = 0
    for face in faces:
        count = max(count, face + 1)
    parents = np.arange(count).astype(np.int32)
    for arc in range(len(ways)):
        if ways[arc] == 0:
            join(parents, faces[2 * arc], faces[2 * arc + 1])
    for face in range(count):
        parents[face] = root_of(parents, face)
    begins = np.zeros(count + 1, np.int64)
    for arc in range(len(ways)):
        if ways[arc] != 0:
            begins[parents[faces[2 * arc]] + 1] += 1
            begins[parents[faces[2 * arc + 1]] + 1] += 1
    for face in range(count):
        begins[face + 1] += begins[face]
    neighbours = np.empty(begins[count], np.int32)
    filled = begins[:-1].copy()
    for arc in range(len(ways)):
        if ways[arc] != 0:
            a, b = parents[faces[2 * arc]], parents[faces[2 * arc + 1]]
            neighbours[filled[a]] = b
            filled[a] += 1
            neighbours[filled[b]] = a
            filled[b] += 1
    depths = np.full(count, -1, np.int32)
    queue = np.empty(count, np.int32)
    queue[0] = parents[faces[len(faces) - 1]]
    depths[queue[0]] = 0
    head, tail = 0, 1
    while head < tail:
        face = queue[head]
        head += 1
        for i in range(begins[face], begins[face + 1]):
            other = neighbours[i]
            if depths[other] < 0:
                depths[other] = depths[face] + 1
                queue[tail] = other
                tail += 1
    for face in range(count):
        depths[face] = depths[parents[face]]
    return depths
