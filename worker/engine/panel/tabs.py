"""Breakaway tabs: where pieces stay joined to the panel and to each other, and the perforations that they break at.

Round every piece a slot is routed. A tab is a strip across it, from the middle of a stretch of a piece's edge along its
normal to whatever stands there: the frame, or another piece. Tabs are spread along each piece's edge as evenly as the
places allow, and more are set until everything hangs together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from worker.engine.arrays import Floats
from worker.engine.fabrication.board import Hole
from worker.engine.panel.placed import PlacedPiece
from worker.errors import PanelError
from worker.fab_profile import FabProfile
from worker.outlines import Point
from worker.panel_file import TabPlan

FARTHEST_APART_MM = 60.0
"""Along a piece's edge (common practice, no source)."""
LEAST_TABS = 3
HOLE_MM, WALL_MM = 0.5, 0.3
"""A perforation's hole and what stands between two (common practice: 0.5 at 0.8 mm, five holes)."""
_STEP_MM = 1.0
_WORTH = {-1: 2}
_INTO_MM = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tab:
    """A strip between two bodies: pieces by their numbers, parts of the frame by -1 for the largest, -2 and so on.

    middle, way : on the first's edge, and outward.
    along : where it stands on each piece's edge, mm from the edge's first point, by the piece's number.
    """

    bodies: tuple[int, int]
    middle: Point
    way: Point
    length: float
    width: float
    strip: Polygon
    along: dict[int, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tabbed:
    """All tabs, and the holes that perforate them, in mm."""

    tabs: tuple[Tab, ...]
    holes: tuple[Hole, ...]
    hole_mm: float
    pitch_mm: float

    def of(self, body: int) -> list[Tab]:
        """Those of one piece."""
        return [tab for tab in self.tabs if body in tab.bodies]


@dataclass(slots=True, eq=False)
class _Edges:
    """Candidates on one piece's edge."""

    length: float
    candidates: list[Tab] = field(default_factory=list)


def set_tabs(
    placed: Sequence[PlacedPiece], frame: shapely.Geometry, slot_mm: float, plan: TabPlan, fab: FabProfile, name: str
) -> Tabbed:
    """Choose tabs that hold every piece. PanelError, naming the piece, where one can't be held.

    Parameters
    ----------
    frame : what stays of the panel round the pieces. slot_mm : the least width of the slots.
    name : of the panel file, for messages.
    """
    bodies = [piece.outline for piece in placed]
    parts = sorted(shapely.get_parts(frame), key=lambda part: -part.area)
    bit = fab.limits["routing", "bit_mm"].value_mm
    edges = [
        _candidates(i, bodies, [piece.move.turn for piece in placed], parts, slot_mm, plan) for i in range(len(bodies))
    ]
    chosen: list[Tab] = []
    for edge in edges:  # whatever stands beside a rail hangs on it
        on_frame = [tab for tab in edge.candidates if tab.bodies[1] == -1]
        free = [tab for tab in _middle_first(on_frame) if _stands_free(tab, chosen, plan.width + bit)]
        chosen += free[:1]
    for i, edge in enumerate(edges):
        wanted = plan.count or max(LEAST_TABS, math.ceil(edge.length / FARTHEST_APART_MM))
        while sum(i in tab.bodies for tab in chosen) < wanted:
            tab = _next_tab(i, edge, chosen, apart=plan.width + bit)
            if tab is None:
                break
            chosen.append(tab)
    _join_all(chosen, edges, len(bodies), apart=plan.width + bit, placed=placed, name=name)
    return _perforated(chosen, bodies, plan, fab)


def _candidates(
    i: int,
    bodies: Sequence[Polygon],
    turns: Sequence[int],
    parts: Sequence[Polygon],
    slot_mm: float,
    plan: TabPlan,
) -> _Edges:
    """Every place on a piece's edge where a tab can go straight across to what stands there."""
    ring = bodies[i].exterior
    edge = _Edges(length=float(ring.length))
    count = max(8, math.floor(ring.length / _STEP_MM))
    reach = 1.6 * slot_mm + 0.5
    half = plan.width / 2.0
    near = [k for k in range(len(bodies)) if k != i and bodies[k].distance(bodies[i]) < reach]
    beside = [k for k in range(len(parts)) if parts[k].distance(bodies[i]) < reach]
    others = [*(bodies[k] for k in near), *(parts[k] for k in beside)]
    numbers = [*near, *(-1 - k for k in beside)]
    for k in range(count):
        along = ring.length * k / count
        here, way, bend = _normal(ring, along, half)
        if bend > 0.25 * plan.width or not _allowed(way, turns[i], plan.angles):
            continue
        strip = _strip(here, way, -_INTO_MM - bend, reach, half)
        hit = [b for b, other in enumerate(others) if other.intersects(strip)]
        if not hit:
            continue
        far = [_far(here, way, half, others[b], reach) for b in hit]
        nearest = min(range(len(hit)), key=lambda b: max(far[b]))
        length, uneven = max(far[nearest]), max(far[nearest]) - min(far[nearest])
        if not math.isfinite(length) or uneven > 0.5 * plan.width or length < 0.8 * slot_mm:
            continue
        if any(min(far[b]) < length + plan.width for b in range(len(hit)) if b != nearest):
            continue
        other = numbers[hit[nearest]]
        if other >= 0 and not _allowed((-way[0], -way[1]), turns[other], plan.angles):
            continue
        where = {i: along}
        if other >= 0:
            there = shapely.Point(here[0] + way[0] * length, here[1] + way[1] * length)
            where[other] = float(bodies[other].exterior.project(there))
        edge.candidates.append(
            Tab(
                bodies=(i, other),
                middle=here,
                way=way,
                length=length,
                width=plan.width,
                strip=_strip(here, way, -_INTO_MM - bend, length + _INTO_MM, half),
                along=where,
            )
        )
    return edge


def _normal(ring: shapely.LinearRing, along: float, half: float) -> tuple[Point, Point, float]:
    """A point on an edge that runs counter-clockwise, the way outward, and how far the edge leaves the chord there."""
    at = [(along + by) % ring.length for by in (-half, 0.0, half)]
    (x0, y0), (x, y), (x1, y1) = ((point.x, point.y) for point in (ring.interpolate(each) for each in at))
    dx, dy = x1 - x0, y1 - y0
    size = math.hypot(dx, dy) or 1.0
    sign = 1.0 if ring.is_ccw else -1.0
    way = (sign * dy / size, -sign * dx / size)
    bend = abs((x - x0) * dy - (y - y0) * dx) / size
    return (x, y), way, bend if size > 1.6 * half else math.inf


def _allowed(way: Point, turn: int, angles: Sequence[float]) -> bool:
    """Whether a piece that is turned by quarters may be held in this way; angles are those of the piece itself."""
    if not angles:
        return True
    degrees = math.degrees(math.atan2(way[1], way[0])) - 90.0 * turn
    return any(abs((degrees - angle + 180.0) % 360.0 - 180.0) <= 8.0 for angle in angles)


def _middle_first(tabs: Sequence[Tab]) -> list[Tab]:
    """Candidates from the middle of their row outward."""
    middle = (len(tabs) - 1) / 2.0
    return [tabs[k] for k in sorted(range(len(tabs)), key=lambda k: abs(k - middle))]


def _strip(here: Point, way: Point, begin: float, end: float, half: float) -> Polygon:
    (x, y), (u, v) = here, way
    return Polygon(
        [
            (x + u * begin - v * half, y + v * begin + u * half),
            (x + u * begin + v * half, y + v * begin - u * half),
            (x + u * end + v * half, y + v * end - u * half),
            (x + u * end - v * half, y + v * end + u * half),
        ]
    )


def _far(here: Point, way: Point, half: float, other: shapely.Geometry, reach: float) -> list[float]:
    """How far a body is along the strip's two sides and its middle; inf where it is not met."""
    out = []
    for off in (-half, 0.0, half):
        x, y = here[0] - way[1] * off, here[1] + way[0] * off
        line = LineString([(x, y), (x + way[0] * reach, y + way[1] * reach)])
        met = line.intersection(other)
        out.append(math.inf if met.is_empty else float(met.distance(shapely.Point(x, y))))
    return out


def _apart(tab: Tab, other: Tab, body: int, length: float) -> float:
    """How far two tabs are along a piece's edge."""
    by = abs(tab.along[body] - other.along[body])
    return min(by, length - by)


def _next_tab(i: int, edge: _Edges, chosen: Sequence[Tab], *, apart: float) -> Tab | None:
    """The candidate farthest from the tabs that there are on this edge; of like ones the frame before a piece, and a
    piece before a part of the frame that itself hangs on tabs."""
    there = [tab for tab in chosen if i in tab.bodies]
    free = [tab for tab in edge.candidates if _stands_free(tab, chosen, apart)]
    if not free:
        return None

    def rank(tab: Tab) -> tuple[float, int, float]:
        away = min((_apart(tab, other, i, edge.length) for other in there), default=edge.length / 2.0)
        return (round(away / (edge.length / 5.0)), _WORTH.get(tab.bodies[1], 0 if tab.bodies[1] < 0 else 1), away)

    return max(free, key=rank)


def _stands_free(tab: Tab, chosen: Sequence[Tab], apart: float) -> bool:
    """Whether the router can get in between it and every other tab."""
    return all(
        math.dist(tab.middle, other.middle) > 3.0 * apart or tab.strip.distance(other.strip) >= apart - tab.width
        for other in chosen
    )


def _join_all(
    chosen: list[Tab],
    edges: Sequence[_Edges],
    count: int,
    *,
    apart: float,
    placed: Sequence[PlacedPiece],
    name: str,
) -> None:
    """Set further tabs until every piece hangs on the frame, in place."""
    while True:
        held = _held(chosen)
        loose = [i for i in range(count) if i not in held]
        if not loose:
            return
        across = [
            tab
            for i in range(count)
            for tab in edges[i].candidates
            if len(held & set(tab.bodies)) == 1 and _stands_free(tab, chosen, apart)
        ]
        if not across:
            piece = placed[loose[0]]
            left, low, right, high = piece.outline.bounds
            raise PanelError(
                f"{name}: piece {piece.number} ({piece.piece.name}), at {(left + right) / 2:.2f}, "
                f"{(low + high) / 2:.2f} mm, can't be held by a tab: nothing stands near enough to a straight part of "
                "its edge.",
                mend="Give the panel rails, narrower tabs (tabs.width), a smaller spacing or other tabs.angles; or "
                "choose join = loose.",
            )
        chosen.append(across[0])


def _held(chosen: Sequence[Tab]) -> set[int]:
    """What hangs on the frame's largest part, by way of others too, and that part."""
    held = {-1}
    reached = held
    while reached:
        reached = {body for tab in chosen if held & set(tab.bodies) for body in tab.bodies} - held
        held |= reached
    return held


def _perforated(chosen: Sequence[Tab], bodies: Sequence[Polygon], plan: TabPlan, fab: FabProfile) -> Tabbed:
    hole = plan.hole or max(HOLE_MM, fab.limits["holes", "bare_mm"].value_mm)
    pitch = plan.pitch or round(hole + WALL_MM, 6)
    holes: list[Hole] = []
    for tab in chosen:
        for body in tab.bodies:
            if body >= 0:
                holes += _row(tab, body, bodies[body], hole, pitch, outside=plan.outside)
    return Tabbed(tabs=tuple(chosen), holes=tuple(holes), hole_mm=hole, pitch_mm=pitch)


def _row(tab: Tab, body: int, outline: Polygon, hole: float, pitch: float, *, outside: bool) -> list[Hole]:
    """Holes along one piece's edge, across a tab: on the edge, or touching it from outside."""
    ring = outline.exterior if not outside else outline.buffer(hole / 2.0, quad_segs=32).exterior
    middle = outline.exterior.interpolate(tab.along[body])
    start = float(ring.project(middle))
    count = max(1, math.floor((tab.width - hole) / pitch + 1e-6) + 1)
    points: Floats = np.array(
        [
            (point.x, point.y)
            for k in range(count)
            for point in [ring.interpolate((start + (k - (count - 1) / 2.0) * pitch) % ring.length)]
        ]
    )
    return [Hole(x_mm=round(float(x), 3), y_mm=round(float(y), 3), diameter_mm=hole, plated=False) for x, y in points]
