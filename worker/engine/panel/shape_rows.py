"""How close two outlines may stand: along x beside each other, along y above each other, with a spacing kept.

An outline is a polygon whose box begins at (0, 0), or a disc, which is exact. What lies between two turns of an outline
is found from their profiles: the rightmost point of the one, grown by the spacing, and the leftmost of the other.
Profiles are straight between corners, so it is enough to look at the heights of all corners.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.affinity import rotate, translate
from shapely.geometry import Polygon

from worker.engine.arrays import Floats

ROUND_MM = 2e-3
"""An outline whose corners all lie so near to one circle is a disc."""
_MOST_CORNERS = 240
_COARSE_MM = 0.01
_SEGMENTS = 32


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """An outline in one of its turns, its box from (0, 0). turn : quarters. shift : of the box from the turned piece.

    near : float64 (n, 2), the corners. grown : the same, grown by the spacing. diameter : of a disc, else None.
    """

    turn: int
    polygon: Polygon
    shift: tuple[float, float]
    near: Floats
    grown: Floats
    spacing: float
    diameter: float | None

    @property
    def size(self) -> tuple[float, float]:
        """Width and height of its box."""
        _, _, right, high = self.polygon.bounds
        return float(right), float(high)


def outline_of(polygon: Polygon, turn: int, spacing: float) -> Outline:
    """A piece's outline, turned counter-clockwise by `turn` quarters about its own origin."""
    turned = turned_polygon(polygon, turn)
    left, low, _, _ = turned.bounds
    boxed = translate(turned, -left, -low)
    plain = boxed
    if len(plain.exterior.coords) > _MOST_CORNERS:
        plain = Polygon(plain.buffer(_COARSE_MM, quad_segs=8).simplify(_COARSE_MM).exterior)
    grown = plain.buffer(spacing, quad_segs=_SEGMENTS) if spacing else plain
    return Outline(
        turn=turn,
        polygon=boxed,
        shift=(float(left), float(low)),
        near=shapely.get_coordinates(plain.exterior),
        grown=shapely.get_coordinates(grown.exterior),
        spacing=spacing,
        diameter=disc_diameter(polygon),
    )


def turned_polygon(polygon: Polygon, turn: int) -> Polygon:
    """A polygon turned about the origin by quarters, its corners exact."""
    if turn % 4 == 0:
        return polygon
    return rotate(polygon, 90.0 * (turn % 4), origin=(0.0, 0.0))


def disc_diameter(polygon: Polygon) -> float | None:
    """The diameter where the outline is a disc."""
    points = shapely.get_coordinates(polygon.exterior)
    left, low, right, high = polygon.bounds
    radii = np.hypot(points[:, 0] - (left + right) / 2.0, points[:, 1] - (low + high) / 2.0)
    if len(points) < 24 or float(np.ptp(radii)) > ROUND_MM:
        return None
    return float(right - left)


def same_outline(one: Outline, other: Outline) -> bool:
    """Whether two turns are congruent where their boxes begin at one point."""
    if max(abs(a - b) for a, b in zip(one.size, other.size, strict=True)) > ROUND_MM:
        return False
    return bool(one.polygon.symmetric_difference(other.polygon).area < ROUND_MM * one.polygon.length)


def least_beside(one: Outline, other: Outline, dy: float = 0.0) -> float:
    """The least x by which `other`, higher by `dy`, is far enough right of `one`; -inf where they never meet."""
    if one.diameter is not None and other.diameter is not None:
        return _disc_step(one, dy)
    return _step(one.grown, other.near + np.array([0.0, dy]))


def least_above(one: Outline, other: Outline, dx: float = 0.0) -> float:
    """The least y by which `other`, farther right by `dx`, is far enough above `one`; -inf where they never meet."""
    if one.diameter is not None and other.diameter is not None:
        return _disc_step(one, dx)
    return _step(one.grown[:, ::-1], (other.near + np.array([dx, 0.0]))[:, ::-1])


def _disc_step(one: Outline, off: float) -> float:
    assert one.diameter is not None
    reach = one.diameter + one.spacing
    return math.sqrt(reach * reach - off * off) if abs(off) < reach else -math.inf


def _step(ring: Floats, other: Floats) -> float:
    low, high = max(ring[:, 1].min(), other[:, 1].min()), min(ring[:, 1].max(), other[:, 1].max())
    if low >= high:
        return -math.inf
    heights = np.concatenate([ring[:, 1], other[:, 1], [low, high]])
    heights = np.unique(heights[(heights >= low) & (heights <= high)])
    return float((_farthest(ring, heights) + _farthest(other * np.array([-1.0, 1.0]), heights)).max())


def _farthest(ring: Floats, heights: Floats) -> Floats:
    """float64 (n,): the largest x of a closed ring at each height."""
    start, end = ring, np.roll(ring, -1, axis=0)
    y, to_y = start[:, 1, None], end[:, 1, None]
    there = (np.minimum(y, to_y) <= heights) & (heights <= np.maximum(y, to_y))
    rise = np.where(y == to_y, 1.0, to_y - y)
    x = np.where(
        y == to_y,
        np.maximum(start[:, 0, None], end[:, 0, None]),
        start[:, 0, None] + (heights - y) / rise * (end[:, 0] - start[:, 0])[:, None],
    )
    return np.asarray(np.where(there, x, -np.inf).max(axis=0))
