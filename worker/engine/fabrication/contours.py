"""Contours: the borders of all labels of a side's stack, found once and shared by every layer.

A border between two labels is an *arc*: a chain of pixel edges from one *node* to the next, or a closed chain. A node
is a lattice point where more than two pixel edges with different labels on their sides meet: three or more labels, or
two that touch at a corner. What lies outside the picture is a label as well, so the picture's border needs no rule of
its own.

Every arc is stored once, with the label on its left and on its right. A layer's contour is made of those arcs that have
the layer on one side only (`rings.py`). So whatever is done to an arc is done in all layers, and neighbours neither gap
nor overlap.

Arcs are found in one sweep of strips of rows. In a strip, every turn of a border and every node becomes a *slot*,
linked with the next slot along the row and along the column. (A turn has one link of each kind. A node has two slots:
west and north, east and south.) The strips are the same on any number of threads, are joined at their seams, and the
links are then followed from end to end.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.grid import Grid, grid_of
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes, Stack
from worker.engine.threads import row_strips, run_all

Ints = npt.NDArray[np.int32]
Bytes = npt.NDArray[np.uint8]
Words = npt.NDArray[np.uint64]

TRACED = COPPER | OPENING | LEGEND | BOARD
"""The bits of the stack that a label is made of."""

EAST, SOUTH, WEST, NORTH = 0, 1, 2, 3
STRIP_ROWS = 256

_KIND = 28  # a slot's column also says what it is: 0 a turn, 1 a node's west and north, 2 its east and south
_COLUMN = (1 << _KIND) - 1
_NONE = -1
_OUTSIDE = 2**31 - 1
_ONES = np.uint64(0x0101010101010101)
_LOW = np.uint64(0x7F7F7F7F7F7F7F7F)
_N, _E, _S, _W = 1, 2, 4, 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contours:
    """The arcs of one side, A of them, and the N nodes that they run between. Arrays are read-only.

    points : int32 (P, 2)
        Lattice points, column and row, arc after arc, both ends of each included. A closed arc begins at its first
        point in reading order, and ends there.
    starts : int64 (A + 1,)
        Where each arc begins in `points`.
    sides : uint8 (A, 2)
        The label on the left and on the right, seen along the arc. 0 is off the board or off the picture.
    ends : int32 (A, 2)
        The node that the arc leaves and the node that it reaches; -1 for a closed arc.
    headings : uint8 (A, 2)
        The direction in which it leaves and in which it arrives, 0 to 3: east, south, west, north.
    at_nodes : int32 (N, 4)
        The arc that leaves a node in each direction: 2 * arc, plus 1 if that is its far end; -1 for none.
    faces : int32 (2 * A + 1,)
        The connected area on the left (2 * arc) and right (2 * arc + 1) of each arc, and at last what is outside the
        picture, counted from 0.
    """

    grid: Grid
    points: Ints
    starts: npt.NDArray[np.int64]
    sides: Bytes
    ends: Ints
    headings: Bytes
    at_nodes: Ints
    faces: Ints

    def __post_init__(self) -> None:
        for array in (self.points, self.starts, self.sides, self.ends, self.headings, self.at_nodes, self.faces):
            array.setflags(write=False)

    @property
    def arcs(self) -> int:
        """How many arcs."""
        return len(self.sides)

    def arc(self, i: int) -> Ints:
        """int32 (n, 2): the points of one arc."""
        return self.points[self.starts[i] : self.starts[i + 1]]

    def with_points(self, points: Ints, starts: npt.NDArray[np.int64]) -> Contours:
        """The same arcs, drawn through fewer points."""
        return replace(self, points=points, starts=starts)


def trace(planes: LayerPlanes, *, threads: int = 1) -> Contours:
    """The exact contours of all labels: `planes.stack` masked to TRACED. SettingsError as `grid_of`."""
    grid = grid_of(planes)
    slots = _find_slots(planes.stack, threads)
    arcs = _follow(*slots, planes.stack, np.uint8(TRACED))
    points, starts, sides, ends, headings, tops, at_nodes = arcs
    horizontal, vertical, column, row, left = slots
    faces = _faces(horizontal, vertical, column, row, left, tops, at_nodes, len(sides))
    return Contours(
        grid=grid,
        points=points,
        starts=starts,
        sides=sides,
        ends=ends,
        headings=headings,
        at_nodes=at_nodes,
        faces=faces,
    )


def _find_slots(stack: Stack, threads: int) -> tuple[Ints, Ints, Ints, Ints, Ints]:
    """Slots in reading order: links along the row, links along the column, column and kind, row, slot to the left."""
    height, width = stack.shape
    strips = row_strips(height + 1, STRIP_ROWS)
    counts = np.zeros(len(strips), np.int64)
    run_all(
        _count_strip, [(stack, np.uint8(TRACED), *strip, counts[i : i + 1]) for i, strip in enumerate(strips)], threads
    )
    bases = np.concatenate([[0], np.cumsum(counts)])
    horizontal, vertical, column, row, left = (np.empty(bases[-1], np.int32) for _ in range(5))
    slots = (horizontal, vertical, column, row, left)
    seams = np.empty((2, len(strips), width + 1), np.int32)
    run_all(
        _fill_strip,
        [
            (stack, np.uint8(TRACED), *strip, bases[i], *slots, seams[0, i], seams[1, i])
            for i, strip in enumerate(strips)
        ],
        threads,
    )
    _join_strips(bases, vertical, left, seams[0], seams[1])
    return slots


@njit(cache=True, nogil=True, error_model="numpy")
def _load(stack: Stack, mask: np.uint8, r: int, line: Words) -> None:
    """Row r of the picture, eight pixels a word, nothing behind its end; nothing at all above and below the picture."""
    height, width = stack.shape
    if r < 0 or r >= height:
        line[:] = np.uint64(0)
        return
    line.view(np.uint8)[:width] = stack[r]
    masks = np.uint64(mask) * _ONES
    for i in range(len(line)):
        line[i] &= masks


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _differ(a: np.uint64, b: np.uint64) -> np.uint64:
    """1 in every byte in which two words differ."""
    different = a ^ b
    return ((((different & _LOW) + _LOW) | different) >> np.uint64(7)) & _ONES


@njit(cache=True, nogil=True, error_model="numpy")
def _edges(above: Words, below: Words, codes: Words, marks: Words) -> None:
    """For each point of a lattice row, a byte: its edges (`codes`), and how many slots it needs (`marks`)."""
    before_above, before_below = np.uint64(0), np.uint64(0)
    for i in range(len(codes)):
        north_east, south_east = above[i], below[i]
        north_west = (north_east << np.uint64(8)) | (before_above >> np.uint64(56))
        south_west = (south_east << np.uint64(8)) | (before_below >> np.uint64(56))
        before_above, before_below = north_east, south_east
        north, south = _differ(north_west, north_east), _differ(south_west, south_east)
        east, west = _differ(north_east, south_east), _differ(north_west, south_west)
        turn = (north ^ south) & (east ^ west)
        many = (north & south & (east | west)) | (east & west & (north | south))
        codes[i] = north | (east << np.uint64(1)) | (south << np.uint64(2)) | (west << np.uint64(3))
        marks[i] = turn | (many << np.uint64(1))


@njit(cache=True, nogil=True, error_model="numpy")
def _count_strip(stack: Stack, mask: np.uint8, first: int, last: int, count: npt.NDArray[np.int64]) -> None:
    length = stack.shape[1] // 8 + 1
    above, below = np.zeros(length, np.uint64), np.zeros(length, np.uint64)
    codes, marks = np.empty(length, np.uint64), np.empty(length, np.uint64)
    total = np.uint64(0)
    _load(stack, mask, first - 1, below)
    for r in range(first, last):
        above, below = below, above
        _load(stack, mask, r, below)
        _edges(above, below, codes, marks)
        for i in range(length):
            total += (marks[i] * _ONES) >> np.uint64(56)
    count[0] = total


@njit(cache=True, nogil=True, error_model="numpy")
def _edge_to_the_left(codes: Bytes, words: Words, c: int) -> int:
    """The column of the last point before c with an edge to the south; -1 for none."""
    c -= 1
    while c >= 0:
        if c & 7 == 7 and words[c >> 3] & (_ONES << np.uint64(2)) == np.uint64(0):
            c -= 8
        elif codes[c] & _S:
            return c
        else:
            c -= 1
    return -1


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_strip(
    stack: Stack,
    mask: np.uint8,
    first: int,
    last: int,
    slot: int,
    horizontal: Ints,
    vertical: Ints,
    column: Ints,
    row: Ints,
    left: Ints,
    top: Ints,
    opened: Ints,
) -> None:
    """Slots of a strip of lattice rows, from number `slot` on.

    `top` : the slot at which the edge that comes in from above at each column ends; -1 for none.
    `opened` : the slot from which an edge hangs down out of the strip at each column. An edge that comes in from above
    and has met no slot yet is -2 - column, here and in the links.
    """
    points = stack.shape[1] + 1
    length = stack.shape[1] // 8 + 1
    above, below = np.zeros(length, np.uint64), np.zeros(length, np.uint64)
    words, flags = np.empty(length, np.uint64), np.empty(length, np.uint64)
    codes, marks = words.view(np.uint8), flags.view(np.uint8)
    for c in range(points):
        opened[c] = -2 - c
        top[c] = _NONE
    _load(stack, mask, first - 1, below)
    for r in range(first, last):
        above, below = below, above
        _load(stack, mask, r, below)
        _edges(above, below, words, flags)
        hanging = _NONE  # the slot from which an edge runs east
        for word in range(length):
            if flags[word] == np.uint64(0):
                continue
            for c in range(8 * word, min(8 * word + 8, points)):
                if marks[c] == 0:
                    continue
                code = codes[c]
                back = slot
                ahead = slot + marks[c] - 1
                for s in range(back, ahead + 1):
                    horizontal[s], vertical[s], left[s], row[s], column[s] = _NONE, _NONE, _NONE, r, c
                if ahead > back:
                    column[back] = c | (1 << _KIND)
                    column[ahead] = c | (2 << _KIND)
                if code & _W:
                    horizontal[back] = hanging
                    horizontal[hanging] = back
                if code & _N:
                    vertical[back] = opened[c]
                    if opened[c] >= 0:
                        vertical[opened[c]] = back
                    else:
                        top[c] = back
                if code == _E | _S:
                    at = _edge_to_the_left(codes, words, c)
                    left[back] = opened[at] if at >= 0 else _OUTSIDE
                if code & _E:
                    hanging = ahead
                if code & _S:
                    opened[c] = ahead
                slot = ahead + 1


@njit(cache=True, nogil=True, error_model="numpy")
def _join_strips(bases: npt.NDArray[np.int64], vertical: Ints, left: Ints, tops: Ints, opened: Ints) -> None:
    """Link the edges that cross the seams between strips."""
    carried = np.full(tops.shape[1], _NONE, np.int32)
    for i in range(len(tops)):
        for c in range(tops.shape[1]):
            if tops[i, c] >= 0:
                vertical[tops[i, c]] = carried[c]
                vertical[carried[c]] = tops[i, c]
        for s in range(bases[i], bases[i + 1]):
            if left[s] < _NONE:
                left[s] = carried[-2 - left[s]]
        for c in range(tops.shape[1]):
            if opened[i, c] >= 0:
                carried[c] = opened[i, c]


@njit(cache=True, nogil=True, error_model="numpy")
def _side_labels(stack: Stack, mask: np.uint8, r: int, c: int, heading: int) -> tuple[int, int]:
    """The labels on the left and right of the edge that leaves the lattice point (r, c)."""
    if heading == EAST:
        return _label(stack, mask, r - 1, c), _label(stack, mask, r, c)
    if heading == SOUTH:
        return _label(stack, mask, r, c), _label(stack, mask, r, c - 1)
    if heading == WEST:
        return _label(stack, mask, r, c - 1), _label(stack, mask, r - 1, c - 1)
    return _label(stack, mask, r - 1, c - 1), _label(stack, mask, r - 1, c)


@njit(cache=True, nogil=True, error_model="numpy")
def _label(stack: Stack, mask: np.uint8, r: int, c: int) -> int:
    if r < 0 or c < 0 or r >= stack.shape[0] or c >= stack.shape[1]:
        return 0
    return int(stack[r, c] & mask)


@njit(cache=True, nogil=True, error_model="numpy")
def _follow(
    horizontal: Ints,
    vertical: Ints,
    column: Ints,
    row: Ints,
    left: Ints,
    stack: Stack,
    mask: np.uint8,
) -> tuple[Ints, npt.NDArray[np.int64], Bytes, Ints, Bytes, Ints, Ints]:
    """Follow the links: first every arc that leaves a node, in reading order of the nodes, then the closed ones.

    Links are used up. Afterwards a turn's link along the row is -2 - arc, and its link along the column is 1 where the
    arc leaves it along the column, else 0; a node's number is in the row of its second slot.
    """
    nodes = 0
    links = 0
    turns = 0
    for s in range(len(column)):
        kind = column[s] >> _KIND
        if kind == 0:
            turns += 1
            continue
        links += (horizontal[s] >= 0) + (vertical[s] >= 0)
        if kind == 2:
            row[s] = nodes
            nodes += 1
    most = links // 2 + turns // 4
    points = np.empty((turns + links + turns // 4, 2), np.int32)
    starts = np.zeros(most + 1, np.int64)
    sides = np.empty((most, 2), np.uint8)
    ends = np.empty((most, 2), np.int32)
    headings = np.empty((most, 2), np.uint8)
    tops = np.empty(most, np.int32)
    at_nodes = np.full((nodes, 4), _NONE, np.int32)
    arc = 0
    n = 0
    for closed in range(2):
        for begin in range(len(column)):
            kind = column[begin] >> _KIND
            if (kind == 0) != (closed == 1):
                continue
            for turn in range(2 - closed):
                along_row = turn == 0
                s = begin
                t = horizontal[s] if along_row else vertical[s]
                if t < 0:
                    continue
                c, r = column[s] & _COLUMN, row[s] if kind != 2 else row[s - 1]
                heading = EAST if along_row else SOUTH
                if kind == 1:
                    heading += 2  # west or north
                node = _NONE if closed == 1 else row[s + 2 - kind]
                sides[arc, 0], sides[arc, 1] = _side_labels(stack, mask, r, c, heading)
                ends[arc, 0] = node
                headings[arc, 0] = heading
                points[n, 0], points[n, 1] = c, r
                n += 1
                top = len(column)
                if closed == 0:
                    at_nodes[node, heading] = 2 * arc
                    if along_row:
                        horizontal[s] = _NONE
                    else:
                        vertical[s] = _NONE
                while column[t] >> _KIND == 0 and t != begin:
                    points[n, 0], points[n, 1] = column[t], row[t]
                    n += 1
                    top = min(top, t)
                    following = vertical[t] if along_row else horizontal[t]
                    horizontal[t] = -2 - arc
                    vertical[t] = 1 if along_row else 0
                    along_row = not along_row
                    t = following
                kind_there = column[t] >> _KIND
                points[n, 0] = column[t] & _COLUMN
                points[n, 1] = row[t] if kind_there != 2 else row[t - 1]
                n += 1
                if closed == 1:
                    top = begin
                    horizontal[t] = -2 - arc
                    vertical[t] = 0
                    ends[arc, 1] = _NONE
                    headings[arc, 1] = NORTH
                else:
                    node = row[t + 2 - kind_there]
                    arrived = EAST if along_row else SOUTH
                    if kind_there == 2:  # it came in by the link to the east or to the south
                        arrived += 2
                    ends[arc, 1] = node
                    headings[arc, 1] = arrived
                    at_nodes[node, (arrived + 2) & 3] = 2 * arc + 1
                    if along_row:
                        horizontal[t] = _NONE
                    else:
                        vertical[t] = _NONE
                tops[arc] = top
                arc += 1
                starts[arc] = n
    return (
        points[:n].copy(),
        starts[: arc + 1].copy(),
        sides[:arc].copy(),
        ends[:arc].copy(),
        headings[:arc].copy(),
        tops[:arc].copy(),
        at_nodes,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def root_of(parents: Ints, i: int) -> int:
    """The root of i, halving the way there."""
    while parents[i] != i:
        parents[i] = parents[parents[i]]
        i = parents[i]
    return i


@njit(cache=True, nogil=True, error_model="numpy")
def join(parents: Ints, i: int, j: int) -> None:
    """Make i and j one; the smaller root stays."""
    i, j = root_of(parents, i), root_of(parents, j)
    if i < j:
        parents[j] = i
    else:
        parents[i] = j


@njit(cache=True, nogil=True, error_model="numpy")
def _faces(
    horizontal: Ints, vertical: Ints, column: Ints, row: Ints, left: Ints, tops: Ints, at_nodes: Ints, arcs: int
) -> Ints:
    """Number the areas that the arcs enclose.

    Round a node, what is right of one arc is left of the next. And what lies west of an arc's first turn in reading
    order lies east of the nearest edge there: that puts islands into the areas that they lie in.
    """
    outside = 2 * arcs
    parents = np.arange(outside + 1).astype(np.int32)
    for node in range(len(at_nodes)):
        for heading in range(4):
            leaving = at_nodes[node, heading]
            if leaving < 0:
                continue
            following = (heading + 1) & 3
            while at_nodes[node, following] < 0:
                following = (following + 1) & 3
            other = at_nodes[node, following]
            join(parents, leaving ^ 1, other)  # side 2 * arc is its left, and 2 * arc + 1 its right, seen forward
    for arc in range(arcs):
        s = tops[arc]
        if s >= len(column) or left[s] == _NONE:
            continue  # it doesn't begin at the upper left of anything
        if left[s] == _OUTSIDE:
            west = outside
        elif column[left[s]] >> _KIND == 2:
            west = at_nodes[row[left[s]], SOUTH]
        else:
            west = 2 * (-2 - horizontal[left[s]]) + (1 - vertical[left[s]])
        join(parents, 2 * arc + vertical[s], west)
    numbers = np.empty(outside + 1, np.int32)
    found = 0
    for i in range(outside + 1):
        if parents[i] == i:
            numbers[i] = found
            found += 1
        else:
            numbers[i] = numbers[root_of(parents, i)]
    return numbers
