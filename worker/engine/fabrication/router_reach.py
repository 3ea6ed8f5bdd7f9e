"""What a router's bit leaves in inside corners.

A bit of radius r reaches a place if a disc of radius r that covers it fits into what is to be removed: the opening of
that region by the disc. In a right-angled corner it leaves r^2 (1 - pi / 4), and stays r (sqrt 2 - 1) off the corner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

from worker.outlines import CHORD_MM, arc_steps

WORTH_NAMING_MM = 0.01
"""Corners that keep less are none to anybody: an outline is cut to 0.1 mm at best (published fab pages, range)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOver:
    """Material that stays in one inside corner. x, y in mm: the place that is farthest from the bit, by `stand_off`."""

    x_mm: float
    y_mm: float
    stand_off_mm: float
    area_mm2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """`routed`: the outline as a bit cuts it; of a cut-out, the parts that it can open, none where it is too narrow."""

    routed: tuple[Polygon, ...]
    left_over: tuple[LeftOver, ...]


def outline_reach(outline: Polygon, radius: float) -> Reach:
    """A board's outer line as a bit of this radius, in mm, cuts it from outside."""
    filled = Polygon(outline.exterior)
    grown = filled.buffer(radius, quad_segs=_segments(radius)).buffer(-radius, quad_segs=_segments(radius))
    routed = grown.union(filled)
    return Reach(routed=_parts(routed), left_over=_left_over(routed.difference(filled), routed.boundary))


def cut_out_reach(cut_out: Polygon, radius: float) -> Reach:
    """A cut-out as a bit of this radius, in mm, cuts it from inside."""
    core = cut_out.buffer(-radius, quad_segs=_segments(radius))
    if core.is_empty:  # a circle as wide as the bit, given by its chords, is a hair narrower
        core = cut_out.buffer(-(radius - 2.0 * CHORD_MM), quad_segs=_segments(radius))
    if core.is_empty:
        return Reach(routed=(), left_over=())
    routed = core.buffer(radius, quad_segs=_segments(radius)).intersection(cut_out)
    return Reach(routed=_parts(routed), left_over=_left_over(cut_out.difference(routed), routed.boundary))


def _segments(radius: float) -> int:
    return arc_steps(radius, np.pi / 2.0)


def _parts(region: shapely.Geometry) -> tuple[Polygon, ...]:
    polygons = [part for part in shapely.get_parts(region) if isinstance(part, Polygon) and part.area > 1e-6]
    return tuple(sorted(polygons, key=lambda part: -part.area))


def _left_over(corners: shapely.Geometry, edge: shapely.Geometry) -> tuple[LeftOver, ...]:
    found = []
    for corner in _parts(corners):
        points = shapely.get_coordinates(corner)
        distances = shapely.distance(shapely.points(points), edge)
        farthest = int(distances.argmax())
        if distances[farthest] >= WORTH_NAMING_MM:
            x, y = points[farthest]
            found.append(
                LeftOver(
                    x_mm=float(x), y_mm=float(y), stand_off_mm=float(distances[farthest]), area_mm2=float(corner.area)
                )
            )
    return tuple(found)
