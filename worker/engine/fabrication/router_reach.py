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


_HAIR_MM = 1e-6


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
    filled, by = Polygon(outline.exterior), _radius(radius)
    grown = filled.buffer(by, quad_segs=_segments(by)).buffer(-by, quad_segs=_segments(by))
    routed = grown.union(filled)
    return Reach(routed=_parts(routed), left_over=_left_over(_without(routed, filled), routed.boundary))


def cut_out_reach(cut_out: Polygon, radius: float) -> Reach:
    """A cut-out as a bit of this radius, in mm, cuts it from inside."""
    by = _radius(radius)
    core = cut_out.buffer(-by, quad_segs=_segments(by))
    if core.is_empty:
        return Reach(routed=(), left_over=())
    routed = core.buffer(by, quad_segs=_segments(by)).intersection(cut_out)
    return Reach(routed=_parts(routed), left_over=_left_over(_without(cut_out, routed), routed.boundary))


def _radius(radius: float) -> float:
    """A hair less than the bit's: a round end as wide as the bit is narrower where chords stand for it."""
    return radius - 2.0 * CHORD_MM


def _without(region: shapely.Geometry, taken: shapely.Geometry) -> shapely.Geometry:
    """The difference, without the hairs that rounding leaves along edges that both share: they would join corners."""
    return region.difference(taken.buffer(_HAIR_MM, join_style="mitre"))


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
