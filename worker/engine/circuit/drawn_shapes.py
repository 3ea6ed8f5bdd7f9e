"""What a copper file draws, as polygons: each object with the net, the pin and the use that its attributes give it.

Polygons stand for curves within `CHORD_MM`. What was painted clear later is cut out of what lay there before.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from worker.engine.fabrication.gerber_reader import graphic_objects
from worker.outlines import CHORD_MM, arc_steps, circle_points

Polygons = npt.NDArray[Any]
"""object (n,): shapely polygons, lengths in mm."""

SMALLEST_MM2 = 1e-7
"""What a cut leaves below that is no copper, but rounding."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnShapes:
    """N pieces of copper.

    polygons : object (N,), shapely polygons in mm. nets, pins : of each the net's name and "PART.PIN", "" where the
    file tells none.
    """

    polygons: Polygons
    nets: tuple[str, ...]
    pins: tuple[str, ...]


def drawn_shapes(data: bytes, *, name: str) -> DrawnShapes:
    """The copper that a Gerber file leaves at its end. ReturnedFileError where it can't be read.

    Touching pieces stay apart, so that each keeps what its attributes say.
    """
    objects = list(graphic_objects(data, name=name, marked=True))
    polygons = _object_polygons(objects)
    dark = np.array([bool(thing.polarity_dark) for thing in objects], np.bool_)
    polygons = _without_later(polygons, dark)
    keep = np.flatnonzero(dark)
    parts, of = shapely.get_parts(polygons[keep], return_index=True)
    area = (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON) & (shapely.area(parts) > SMALLEST_MM2)
    parts, of = parts[area], keep[of[area]]
    return DrawnShapes(
        polygons=parts,
        nets=tuple(_net(objects[i]) for i in of),
        pins=tuple(_pin(objects[i]) for i in of),
    )


def _net(thing: object) -> str:
    """The first name of an object's net; a pin that is connected to nothing has none."""
    fields = (getattr(thing, "attrs", None) or {}).get(".N", ("",))
    return "" if fields[0] == "N/C" else str(fields[0])


def _pin(thing: object) -> str:
    fields = (getattr(thing, "attrs", None) or {}).get(".P", ())
    return f"{fields[0]}.{fields[1]}" if len(fields) > 1 else ""


def _without_later(polygons: Polygons, dark: npt.NDArray[np.bool_]) -> Polygons:
    """The dark ones without the clear ones that were painted after them."""
    clear = np.flatnonzero(~dark)
    if not len(clear):
        return polygons
    cutters = polygons[clear]
    cut_from, cut_by = shapely.STRtree(cutters).query(polygons, predicate="intersects")
    later = dark[cut_from] & (clear[cut_by] > cut_from)
    cut_from, cut_by = cut_from[later], cut_by[later]
    out = polygons.copy()
    for i in np.unique(cut_from):
        out[i] = shapely.difference(polygons[i], shapely.union_all(cutters[cut_by[cut_from == i]]))
    return out


def _object_polygons(objects: Sequence[Any]) -> Polygons:
    """object (n,): what each object covers, whatever its polarity."""
    from gerbonara.graphic_objects import Line
    from gerbonara.utils import MM

    out = np.empty(len(objects), object)
    strokes: dict[float, list[int]] = {}
    ends: dict[int, tuple[float, float, float, float]] = {}
    for i, thing in enumerate(objects):
        if isinstance(thing, Line):
            line = thing.as_primitive(MM)
            ends[i] = (line.x1, line.y1, line.x2, line.y2)
            strokes.setdefault(float(line.width), []).append(i)
        else:
            out[i] = _covered(thing.to_primitives(MM), bool(thing.polarity_dark))
    for width, which in strokes.items():
        out[which] = _stroked(np.array([ends[i] for i in which], np.float64).reshape(-1, 2, 2), width)
    return out


def _covered(primitives: Iterator[Any], dark: bool) -> shapely.Geometry:
    """What an object covers: its parts of its own polarity, those of the other one taken away from those before."""
    area: shapely.Geometry | None = None
    for primitive in primitives:
        polygon = _polygon(primitive)
        if bool(primitive.polarity_dark) == dark:
            area = polygon if area is None else shapely.union(area, polygon)
        elif area is not None:
            area = shapely.difference(area, polygon)
    return shapely.Polygon() if area is None else area


def _polygon(primitive: Any) -> shapely.Geometry:
    from gerbonara.graphic_primitives import Arc, Circle, Line

    if isinstance(primitive, Circle):
        return shapely.Polygon(circle_points(primitive.x, primitive.y, 2.0 * primitive.r))
    if isinstance(primitive, Line):
        ends = np.array([[[primitive.x1, primitive.y1], [primitive.x2, primitive.y2]]], np.float64)
        return _stroked(ends, primitive.width)[0]
    if isinstance(primitive, Arc):
        start, end = (primitive.x1, primitive.y1), (primitive.x2, primitive.y2)
        points = [*_arc_points(start, end, (primitive.cx, primitive.cy), primitive.clockwise), end]
        return shapely.buffer(shapely.LineString(points), primitive.width / 2.0, quad_segs=_quarter(primitive.width))
    return _area(primitive.to_arc_poly())


def _area(outline: Any) -> shapely.Geometry:
    points: list[tuple[float, float]] = []
    for start, end, (clockwise, centre) in outline.segments:
        points += [start] if clockwise is None else _arc_points(start, end, centre, clockwise)
    if len(points) < 3:
        return shapely.Polygon()
    polygon = shapely.Polygon(points)
    return polygon if polygon.is_valid else shapely.make_valid(polygon)  # a cut-in to a hole runs along itself


def _arc_points(
    start: tuple[float, float], end: tuple[float, float], centre: tuple[float, float], clockwise: bool
) -> list[tuple[float, float]]:
    """Points of an arc without its end; the whole circle where it ends at its start."""
    radius = math.dist(start, centre)
    first = math.atan2(start[1] - centre[1], start[0] - centre[0])
    turn = math.atan2(end[1] - centre[1], end[0] - centre[0]) - first
    turn = turn % (2.0 * math.pi)
    if math.dist(start, end) < 1e-9:
        turn = 2.0 * math.pi
    elif clockwise:
        turn -= 2.0 * math.pi
    if clockwise and turn > 0.0:
        turn = -turn
    steps = arc_steps(radius, turn)
    angles = (first + turn * i / steps for i in range(1, steps))
    return [start, *((centre[0] + radius * math.cos(angle), centre[1] + radius * math.sin(angle)) for angle in angles)]


def _stroked(ends: npt.NDArray[np.float64], width: float) -> Polygons:
    """float64 (n, 2, 2): strokes with round ends, as polygons."""
    still = (ends[:, 0] == ends[:, 1]).all(axis=1)
    out = np.empty(len(ends), object)
    out[still] = shapely.buffer(shapely.points(ends[still, 0]), width / 2.0, quad_segs=_quarter(width))
    out[~still] = shapely.buffer(shapely.linestrings(ends[~still]), width / 2.0, quad_segs=_quarter(width))
    return out


def _quarter(width: float) -> int:
    """How many chords stand for a quarter of a circle."""
    return arc_steps(width / 2.0, math.pi / 2.0, CHORD_MM)
