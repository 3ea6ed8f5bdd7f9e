"""As many pieces of one outline as fit into a region: rows of them in every allowed turn, and what fits between.

Rows stand as close as the outline lets them (`shape_rows`), each shifted against the one before: without a shift
rectangles make a grid, with half a period discs make the hexagonal packing, with every second piece turned by a half
triangles interlock. Rows may also be stretched until they fill the region, which brings shifted rows closer. The
arrangement that holds most pieces is taken, and what it leaves free is filled in the same way. Few discs in a small or
round region are better laid one after the other, each touching the edge or those that lie there: that is tried as well.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from shapely.geometry import Polygon, box

from worker.engine.arrays import Floats
from worker.engine.panel.shape_rows import Outline, disc_diameter, least_above, least_beside, outline_of, same_outline

SLACK_MM = 2e-3
"""By so much a piece may stand beyond the region, and two come nearer than the spacing: places are whole um."""
_SHIFTS = (0.0, 0.5, 0.125, 0.25, 0.375, 0.625, 0.75, 0.875)
_PHASES = 5
_DENSEST = 10
_MOST_BY_TURN, _AROUND = 150, 32
MAX_PLACED = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a piece lies: turned by quarters about its own origin, then moved, in mm."""

    turn: int
    x_mm: float
    y_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """What no arrangement exceeds. count : pieces in this region. density : of their area, in an endless plane."""

    kind: Literal["Oler", "area"]
    count: int
    density: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Rows:
    """Rows that repeat by twos: outlines with their x in a row, the period, the second row's shift, and both steps."""

    first: tuple[tuple[float, Outline], ...]
    second: tuple[tuple[float, Outline], ...]
    period: float
    shift: float
    steps: tuple[float, float]

    @property
    def cell_mm2(self) -> float:
        """Area of the plane for each piece."""
        return self.period * sum(self.steps) / (len(self.first) + len(self.second))


def pack(
    region: shapely.Geometry, polygon: Polygon, *, spacing: float, turns: Sequence[int], most: int = MAX_PLACED
) -> list[Place]:
    """Lay at most `most` pieces of an outline into a region, as many as the arrangements of this file hold.

    Parameters
    ----------
    region : polygons in mm, wherein whole pieces must lie. spacing : mm between pieces.
    turns : allowed quarters.
    """
    outlines = _distinct([outline_of(polygon, turn, spacing) for turn in turns])
    placed = _packed(region, outlines, spacing, most, one_by_one=False)
    if outlines[0].diameter is not None and len(placed) < min(most, _MOST_BY_TURN):
        placed = max(placed, _packed(region, outlines, spacing, most, one_by_one=True), key=len)
    return [_place(each, x, y) for x, y, each in placed]


def _packed(
    region: shapely.Geometry, outlines: Sequence[Outline], spacing: float, most: int, *, one_by_one: bool
) -> list[tuple[float, float, Outline]]:
    """Arrangement by arrangement, each in what the ones before it left."""
    placed: list[tuple[float, float, Outline]] = []
    while len(placed) < most:
        found: list[tuple[float, float, Outline]] = []
        for part in sorted(shapely.get_parts(region), key=lambda each: -each.area):
            if part.area >= outlines[0].polygon.area - 1e-6:
                found += _best(part, outlines, most - len(placed) - len(found), one_by_one=one_by_one)
            if len(placed) + len(found) >= most:
                break
        if not found:
            break
        placed += found
        taken = [shapely.affinity.translate(each.polygon, x, y) for x, y, each in found]
        region = region.difference(shapely.union_all(taken).buffer(max(0.0, spacing - SLACK_MM), quad_segs=64))
    return placed


def bound_of(region: shapely.Geometry, polygon: Polygon, *, spacing: float) -> Bound:
    """How many pieces of an outline can lie in a region at the very most.

    Discs: Oler's inequality for points at mutual distances (N. Oler, An inequality in the geometry of numbers, Acta
    Mathematica 105, 1961) in the convex hull of where centres may lie; their density: Thue's pi / sqrt(12) of discs
    grown by half the spacing. Others: the area of the region over that of the piece, both grown by half the spacing.
    """
    half = spacing / 2.0
    wide, grown = region.buffer(half, quad_segs=64), polygon.buffer(half, quad_segs=64)
    by_area = math.floor(wide.area / grown.area + 1e-9)
    diameter = disc_diameter(polygon)
    if diameter is None:
        return Bound(kind="area", count=by_area, density=None)
    reach = diameter + spacing - SLACK_MM
    parts = [part.convex_hull.buffer(SLACK_MM - diameter / 2.0, quad_segs=64) for part in shapely.get_parts(region)]
    centres = [part for part in parts if not part.is_empty]
    oler = sum(
        math.floor(2.0 / math.sqrt(3.0) * part.area / reach**2 + part.length / (2.0 * reach) + 1.0) for part in centres
    )
    return Bound(kind="Oler", count=min(oler, by_area), density=math.pi / math.sqrt(12.0) * (diameter / reach) ** 2)


def _place(outline: Outline, x: float, y: float) -> Place:
    return Place(turn=outline.turn, x_mm=round(x - outline.shift[0], 3), y_mm=round(y - outline.shift[1], 3))


def _distinct(outlines: Sequence[Outline]) -> list[Outline]:
    kept: list[Outline] = []
    for outline in outlines:
        if not any(same_outline(outline, other) for other in kept):
            kept.append(outline)
    return kept


def _best(
    part: Polygon, outlines: Sequence[Outline], most: int, *, one_by_one: bool
) -> list[tuple[float, float, Outline]]:
    """The fullest arrangement in one connected part; of equals the plainest, which comes first."""
    left, low, right, high = part.bounds
    rectangular = part.equals(box(left, low, right, high))
    rows = [one for one in _arrangements(outlines, right - left) if one.period > 0 and min(one.steps) > 0]
    if not rectangular:
        plain = [one for one in rows if one.shift == 0.0][:4]
        rows = [*plain, *sorted(rows, key=lambda one: one.cell_mm2)[:_DENSEST]]
    best: list[tuple[float, float, Outline]] = []
    inside = _Inside(part, outlines, rectangular)
    for one in rows:
        phases = [(0.0, 0.0)] if rectangular else itertools.product(np.arange(_PHASES) / _PHASES, repeat=2)
        for across, up in phases:
            start = left + across * one.period, low + up * sum(one.steps)
            found = inside(list(_spread(one, start, part.bounds)))
            if len(found) > len(best):
                best = found
        if len(best) >= most:
            break
    if one_by_one and len(best) < most:
        best = max([best, *_one_by_one(part, outlines[0])], key=len)
    if rectangular and len(best) < most:
        best = _centred(best, part.bounds)
    return sorted(best, key=lambda each: (each[1], each[0]))[:most]


def _one_by_one(part: Polygon, outline: Outline) -> Iterator[list[tuple[float, float, Outline]]]:
    """Discs laid one by one: ring after ring from the edge inward, and from below upward.

    Where centres may lie is what remains of the part when it is shrunk by a radius and a disc of the least distance is
    taken off at every centre; the next one lies on its edge.
    """
    assert outline.diameter is not None
    half, reach = outline.diameter / 2.0, outline.diameter + outline.spacing
    whole = part.buffer(SLACK_MM / 2.0 - half, quad_segs=128)
    # A polygon round a circle, not in it: so no two come too near.
    taken = (reach - SLACK_MM / 2.0) / math.cos(math.pi / (4.0 * _AROUND))
    for ringwise in (True, False):
        free: shapely.Geometry = whole
        placed: list[Floats] = []
        while not free.is_empty and len(placed) < MAX_PLACED:
            points = shapely.get_coordinates(free)
            last = points[0] if not placed else placed[-1]
            beside = np.hypot(*(points - last).T) if ringwise else points[:, 0]
            rank = np.round(shapely.distance(whole.boundary, shapely.points(points)), 2) if ringwise else points[:, 1]
            placed.append(points[np.lexsort((beside, rank))[0]])
            free = free.difference(shapely.Point(placed[-1]).buffer(taken, quad_segs=_AROUND))
        yield [(float(x) - half, float(y) - half, outline) for x, y in placed]


def _centred(
    placed: list[tuple[float, float, Outline]], bounds: tuple[float, float, float, float]
) -> list[tuple[float, float, Outline]]:
    """The same arrangement in the middle of its region."""
    if not placed:
        return placed
    left, low, right, high = bounds
    right_most = max(x + outline.size[0] for x, _, outline in placed)
    high_most = max(y + outline.size[1] for _, y, outline in placed)
    dx = (right - right_most - (min(x for x, _, _ in placed) - left)) / 2.0
    dy = (high - high_most - (min(y for _, y, _ in placed) - low)) / 2.0
    return [(x + dx, y + dy, outline) for x, y, outline in placed]


class _Inside:
    """Which places lie in a part."""

    def __init__(self, part: Polygon, outlines: Sequence[Outline], rectangular: bool) -> None:
        self.bounds = part.bounds
        self.rectangular = rectangular
        self.round = outlines[0].diameter
        self.wide = part.buffer(SLACK_MM, join_style="mitre")
        if self.round is not None and not rectangular:
            self.wide = part.buffer(SLACK_MM - self.round / 2.0, quad_segs=64)
        shapely.prepare(self.wide)

    def __call__(self, places: list[tuple[float, float, Outline]]) -> list[tuple[float, float, Outline]]:
        left, low, right, high = self.bounds
        near = [
            (x, y, outline)
            for x, y, outline in places
            if x >= left - SLACK_MM
            and y >= low - SLACK_MM
            and x + outline.size[0] <= right + SLACK_MM
            and y + outline.size[1] <= high + SLACK_MM
        ]
        if self.rectangular or not near:
            return near
        if self.round is not None:
            middle = np.array([(x + self.round / 2.0, y + self.round / 2.0) for x, y, _ in near])
            chosen = shapely.contains_xy(self.wide, middle[:, 0], middle[:, 1])
        else:
            moved = [shapely.affinity.translate(outline.polygon, x, y) for x, y, outline in near]
            chosen = shapely.covers(self.wide, np.array(moved, dtype=object))
        return [place for place, yes in zip(near, chosen, strict=True) if yes]


def _spread(
    rows: _Rows, start: tuple[float, float], bounds: tuple[float, float, float, float]
) -> Iterator[tuple[float, float, Outline]]:
    """All places of an arrangement that may lie in a box."""
    left, _, right, high = bounds
    y, number = start[1] - sum(rows.steps), 0
    while y < high:
        row = rows.second if number % 2 else rows.first
        begin = start[0] + (rows.shift if number % 2 else 0.0)
        first = math.floor((left - begin) / rows.period) - 1
        for k in range(first, math.ceil((right - begin) / rows.period) + 1):
            for x, outline in row:
                yield begin + k * rows.period + x, y, outline
        y += rows.steps[number % 2]
        number += 1


def _arrangements(outlines: Sequence[Outline], width: float) -> Iterator[_Rows]:
    """Rows of every turn, plain ones first."""
    for outline in outlines:
        half = next((each for each in outlines if each.turn == (outline.turn + 2) % 4), None)
        single = ((0.0, outline),)
        yield from _shifted(single, single, width)
        if half is not None:
            turned = ((0.0, half),)
            pair = ((0.0, outline), (least_beside(outline, half), half))
            yield from _shifted(pair, pair, width)
            yield from _shifted(single, turned, width)


def _shifted(
    first: tuple[tuple[float, Outline], ...], second: tuple[tuple[float, Outline], ...], width: float
) -> Iterator[_Rows]:
    least = max(_period(first), _period(second))
    last, outline = first[-1]
    room = width - last - outline.size[0]
    for fraction, period in itertools.product(_SHIFTS, _periods(least, room)):
        shift = fraction * period
        up = _row_step(first, second, shift, period)
        down = max(_row_step(second, first, -shift, period), _row_step(first, first, 0.0, period) - up)
        yield _Rows(first=first, second=second, period=period, shift=shift, steps=(up, down))


def _periods(least: float, room: float) -> Iterator[float]:
    """The closest period, and those that fill a row, or a row and a shifted one."""
    yield least
    fit = math.floor(room / least + 1e-6)
    for count in (fit, fit - 0.5, fit - 1.0):
        if count > 0 and least < room / count < 1.8 * least:
            yield room / count


def _period(row: tuple[tuple[float, Outline], ...]) -> float:
    """The least period of a row, so that none meets one of the next."""
    return max(x - to_x + least_beside(one, other) for (x, one), (to_x, other) in itertools.product(row, repeat=2))


def _row_step(
    row: tuple[tuple[float, Outline], ...], above: tuple[tuple[float, Outline], ...], shift: float, period: float
) -> float:
    return max(
        least_above(one, other, to_x + shift + k * period - x)
        for (x, one), (to_x, other) in itertools.product(row, above)
        for k in range(-3, 4)
    )
