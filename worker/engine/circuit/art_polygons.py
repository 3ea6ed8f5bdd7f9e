"""Art as polygons in the circuit's own coordinates, and as plain areas without holes.

A layer's own file paints holes clear. In a circuit's file that would wipe out what lies in the hole, a pad that the
art runs round, say. So art is brought into areas that have no holes: an area is cut through its holes, and the parts
overlap a little, so that no hairline shows between them.
"""

from __future__ import annotations

import numpy as np
import shapely

from worker.engine.circuit.drawn_shapes import Polygons
from worker.engine.fabrication.grid import Points
from worker.engine.fabrication.rings import Rings

OVERLAP_NM = 10_000
"""By so much, at most, two parts of an area run into each other on either side of a cut."""
_OFF_GRID = 2.0**0.5 - 1.0


def art_polygons(rings: Rings, origin_nm: tuple[int, int]) -> Polygons:
    """object (n,): the areas of a layer, shapely polygons with holes, in whole nm.

    `origin_nm` : where the lower left corner of the rings' grid lies in the circuit's coordinates.
    """
    grid = rings.contours.grid
    corner = np.array([origin_nm[0], origin_nm[1] + grid.height_nm], np.int64)
    turn = np.array([grid.pitch_nm, -grid.pitch_nm], np.int64)
    loops = [corner + ring.astype(np.int64) * turn for ring in rings]
    if not loops:
        return np.empty(0, object)
    lines = shapely.linearrings(
        np.concatenate(loops).astype(np.float64), indices=np.repeat(np.arange(len(loops)), [len(x) for x in loops])
    )
    depths = np.asarray(rings.depths)
    outer, inner = np.flatnonzero(depths % 2 == 0), np.flatnonzero(depths % 2 == 1)
    holes: list[list[shapely.LinearRing]] = [[] for _ in outer]
    if len(inner):
        inside = shapely.point_on_surface(shapely.polygons(lines[inner]))
        hole, area = shapely.STRtree(shapely.polygons(lines[outer])).query(inside, predicate="within")
        mine = depths[outer][area] == depths[inner][hole] - 1
        for i, k in zip(hole[mine].tolist(), area[mine].tolist(), strict=True):
            holes[k].append(lines[inner[i]])
    out = np.empty(len(outer), object)
    for k, i in enumerate(outer.tolist()):
        out[k] = shapely.Polygon(lines[i], holes[k]) if holes[k] else shapely.Polygon(lines[i])
    return out


def in_mm(polygons: Polygons) -> Polygons:
    """Polygons in nm as polygons in mm."""
    return np.asarray(shapely.transform(polygons, lambda points: points / 1e6), object)


def plain_areas(polygons: Polygons, *, scale: float = 1.0) -> list[Points]:
    """Closed outlines, int64 (n, 2), that together cover the polygons, and have no holes.

    `scale` : units of the outlines for each nm. Outlines are rounded to whole units; what rounds to nothing goes.
    """
    return [ring for polygon in without_holes(polygons) if (ring := _rounded(polygon, scale)) is not None]


def without_holes(polygons: Polygons) -> Polygons:
    """object (m,): simple polygons without holes that together cover the polygons, those at a cut overlapping."""
    done: list[shapely.Polygon] = []
    waiting = list(polygons)
    while waiting:
        polygon = waiting.pop()
        if shapely.get_num_interior_rings(polygon):
            waiting += _halves(polygon)
        elif polygon.is_valid:
            done.append(polygon)
        else:  # it touches itself where it was cut
            waiting += _polygons(shapely.make_valid(polygon))
    done.reverse()
    out = np.empty(len(done), object)
    out[:] = done
    return out


def _halves(polygon: shapely.Polygon) -> list[shapely.Polygon]:
    """An area cut through the hole in its middle, across its longer side."""
    left, low, right, high = shapely.bounds(polygon).tolist()
    upright = right - left >= high - low
    bounds = shapely.bounds(shapely.get_rings(polygon)[1:])
    spans = bounds[:, [0, 2]] if upright else bounds[:, [1, 3]]
    middles = spans.mean(axis=1)
    chosen = np.argsort(middles, kind="stable")[len(middles) // 2]
    # Not in the hole's very middle: edges and cuts of art lie on its grid, and a cut along an edge would touch it.
    at = float(np.floor(spans[chosen, 0] + _OFF_GRID * (spans[chosen, 1] - spans[chosen, 0])))
    over = float(min(OVERLAP_NM, (spans[chosen, 1] - spans[chosen, 0]) // 5))
    if upright:
        boxes = [(left - 1, low - 1, at + over, high + 1), (at - over, low - 1, right + 1, high + 1)]
    else:
        boxes = [(left - 1, low - 1, right + 1, at + over), (left - 1, at - over, right + 1, high + 1)]
    return [part for box in boxes for part in _polygons(shapely.clip_by_rect(polygon, *box))]


def _polygons(geometry: shapely.Geometry) -> list[shapely.Polygon]:
    return [part for part in shapely.get_parts(geometry) if part.geom_type == "Polygon"]


def _rounded(polygon: shapely.Polygon, scale: float) -> Points | None:
    points = np.rint(shapely.get_coordinates(polygon) * scale).astype(np.int64)
    moved = np.ones(len(points), np.bool_)
    moved[1:] = (points[1:] != points[:-1]).any(axis=1)
    points = points[moved]
    x, y = points[:-1, 0], points[:-1, 1]
    twice = np.dot(x - x[0], np.roll(y, -1) - y[0]) - np.dot(np.roll(x, -1) - x[0], y - y[0]) if len(points) > 3 else 0
    return points if twice else None
