"""The board's outline from a circuit's profile: its lines, arcs and regions, joined into closed rings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from worker.engine.arrays import Floats
from worker.engine.fabrication.board import Ring, ring_area
from worker.engine.fabrication.gerber_reader import graphic_objects
from worker.errors import CircuitError
from worker.outlines import CHORD_MM

JOIN_MM = 0.002
"""Ends of lines so near to each other are one point: files round coordinates, and arcs are polylines."""
SMALLEST_MM2 = 1.0


def read_outline(data: bytes, *, name: str) -> tuple[Ring, ...]:
    """Outer ring, counter-clockwise, then cut-outs, clockwise; float64 (n, 2) in mm, the first point not repeated.

    Raises
    ------
    CircuitError
        The lines close no ring, end somewhere, cross, or make two boards.
    """
    lines, rings = [], []
    for points, closed in _pieces(data, name):
        if closed:
            rings.append(shapely.Polygon(points))
        elif len(points) > 1 and not np.array_equal(points.min(axis=0), points.max(axis=0)):
            lines.append(shapely.LineString(points))
    rings += _closed(lines, name)
    if not rings:
        raise CircuitError(f"{name} draws no closed outline.", mend="The board's edge must be one closed line.")
    for ring in rings:
        if not ring.is_valid:
            reason = shapely.is_valid_reason(ring)
            raise CircuitError(f"An outline in {name} crosses itself: {reason}.", mend="Draw the edge once round.")
    rings.sort(key=lambda ring: -ring.area)
    outer, *inner = rings
    if outer.area < SMALLEST_MM2:
        raise CircuitError(
            f"The outline in {name} has an area of {outer.area:.4g} mm2.", mend="Check its unit and its lines."
        )
    for i, ring in enumerate(inner):
        if not outer.contains_properly(ring):
            x, y = ring.representative_point().coords[0]
            raise CircuitError(
                f"{name} draws more than one board, or lines that cross: one is near {x:.3f}, {y:.3f} mm.",
                mend="Give one board with one edge: cut-outs inside it, nothing else.",
            )
        if any(ring.intersects(other) for other in inner[:i]):
            x, y = ring.representative_point().coords[0]
            raise CircuitError(
                f"Cut-outs in {name} overlap or lie in each other near {x:.3f}, {y:.3f} mm.",
                mend="Draw each cut-out once, apart from the others.",
            )
    return (_ring(outer, 1), *(_ring(ring, -1) for ring in inner))


def _pieces(data: bytes, name: str) -> Iterator[tuple[Floats, bool]]:
    """The polylines of a profile, and whether each is a closed region."""
    from gerbonara.graphic_objects import Arc, Line, Region
    from gerbonara.utils import MM

    for thing in graphic_objects(data, name=name):
        if isinstance(thing, Region):
            ends: list[tuple[float, float]] = []
            for part in thing.outline_objects():
                ends += _polyline(part)
            yield _in_mm(ends, thing.unit), True
        elif isinstance(thing, Arc | Line):
            yield _in_mm(_polyline(thing), thing.unit), False
        else:
            x, y = MM(thing.x, thing.unit), MM(thing.y, thing.unit)
            raise CircuitError(
                f"{name} flashes something at {x:.3f}, {y:.3f} mm.",
                mend="A profile is drawn with lines and arcs, or as a region: write it anew, without marks.",
            )


def _polyline(part: object) -> list[tuple[float, float]]:
    from gerbonara.graphic_objects import Arc
    from gerbonara.utils import MM

    if not isinstance(part, Arc):
        return [part.p1, part.p2]  # type: ignore[attr-defined]
    lines = part.approximate(max_error=CHORD_MM, unit=MM, clip_max_error=False)
    return [lines[0].p1, *(line.p2 for line in lines)] if lines else []


def _in_mm(points: Sequence[tuple[float, float]], unit: object) -> Floats:
    from gerbonara.utils import MM

    scale = float(MM(1.0, unit))
    return np.asarray(points, np.float64).reshape(-1, 2) * scale


def _closed(lines: Sequence[shapely.LineString], name: str) -> list[shapely.Polygon]:
    """The rings that lines close."""
    if not lines:
        return []
    joined = shapely.unary_union(_joined(lines))
    faces, cuts, dangles, bad = shapely.polygonize_full([joined])
    for loose, what in ((dangles, "ends with none going on from there"), (cuts, "closes no ring"), (bad, "is broken")):
        if not loose.is_empty:
            x, y = loose.geoms[0].coords[0]
            raise CircuitError(
                f"A line in {name} {what}, at {x:.3f}, {y:.3f} mm.",
                mend="The board's edge must be one closed line: close the gap, or take the line off the profile.",
            )
    return [shapely.Polygon(face.exterior) for face in faces.geoms]  # a face's hole is another face's edge


def _joined(lines: Sequence[shapely.LineString]) -> list[shapely.LineString]:
    """The lines with ends that lie within JOIN_MM of one another made one point."""
    points = [shapely.get_coordinates(line) for line in lines]
    ends = np.concatenate([line[[0, -1]] for line in points])
    pairs = cKDTree(ends).query_pairs(JOIN_MM, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(ends), len(ends)))
    _, groups = connected_components(links, directed=False)
    _, first = np.unique(groups, return_index=True)
    for i, line in enumerate(points):
        line[[0, -1]] = ends[first[groups[2 * i : 2 * i + 2]]]
    return [shapely.LineString(line) for line in points if len(line) > 2 or not np.array_equal(line[0], line[1])]


def _ring(polygon: shapely.Polygon, turn: int) -> Ring:
    points = np.asarray(polygon.exterior.coords, np.float64)[:-1]
    points = np.ascontiguousarray(points if ring_area(points) * turn > 0 else points[::-1])
    points.flags.writeable = False
    return points
