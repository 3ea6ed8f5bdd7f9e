"""What the panel itself carries: fiducial marks, tooling holes, its name on a rail, and the numbers of the pieces."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from worker.engine.fabrication.board import Hole
from worker.engine.fabrication.grid import NM_PER_MM, Points
from worker.engine.fabrication.layer_files import SideName
from worker.engine.fabrication.lettering import LEAST_HEIGHT_MM, printable
from worker.engine.fabrication.stroke_font import lay_line, text_width
from worker.engine.panel.laying import Laid
from worker.engine.panel.placed import PlacedPiece
from worker.errors import PanelError
from worker.fab_profile import FabProfile
from worker.outlines import Point
from worker.panel_file import PanelFile

FROM_EDGE_MM = 4.75
"""A machine's clamps cover so much of the panel's edge (SMEMA, as quoted with IPC-7351); the clear zone lies beside."""
HIGHEST_MM = 2.0
_STROKES_PER_HEIGHT = 6.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Fiducial:
    """A disc of bare copper in an opening of the mask, in mm."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    opening_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Text:
    """Legend text as areas: each with its rings, int64 (n, 2) nm, the outer one first. box : left, low, right, high."""

    text: str
    side: SideName
    areas: tuple[tuple[Points, ...], ...]
    box: tuple[float, float, float, float]
    height_mm: float
    number: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marks:
    """All of them. unnumbered : pieces that have no place for their number."""

    fiducials: tuple[Fiducial, ...]
    tooling: tuple[Hole, ...]
    texts: tuple[Text, ...]
    unnumbered: tuple[PlacedPiece, ...]


def set_marks(panel: PanelFile, laid: Laid, frame: shapely.Geometry, fab: FabProfile) -> Marks:
    """Set everything that the panel file asks for. PanelError where a rail is too narrow for it."""
    rails = _rails(panel, laid)
    fiducials = tuple(_fiducials(panel, rails, frame))
    tooling = tuple(_tooling(panel, rails, frame))
    taken = [shapely.Point(each.x_mm, each.y_mm).buffer(each.opening_mm / 2 + 0.5) for each in fiducials]
    taken += [shapely.Point(hole.x_mm, hole.y_mm).buffer(hole.diameter_mm / 2 + 0.5) for hole in tooling]
    texts = list(_label(panel, rails, frame, taken, fab))
    unnumbered = []
    if panel.numbering.where != "none":
        for piece in laid.placed:
            text = _number(piece, panel, fab)
            if text is None:
                unnumbered.append(piece)
            else:
                texts.append(text)
    return Marks(fiducials=fiducials, tooling=tooling, texts=tuple(texts), unnumbered=tuple(unnumbered))


def _rails(panel: PanelFile, laid: Laid) -> tuple[Polygon, ...]:
    """Lower and upper rail, or left and right where those are wider: bands of the panel's box."""
    left, low, right, high = laid.board.bounds
    rails = panel.rails
    level = (
        shapely.box(left, low, right, low + rails.bottom),
        shapely.box(left, high - rails.top, right, high),
    )
    upright = (
        shapely.box(left, low, left + rails.left, high),
        shapely.box(right - rails.right, low, right, high),
    )
    return level if min(rails.top, rails.bottom) >= min(rails.left, rails.right) else upright


def _corners(rails: tuple[Polygon, ...], room: float, along: float) -> list[Point]:
    """In two rails, `along` from their ends: lower left, upper right, upper left, lower right.

    In the middle of each rail, or farther in, as far from the panel's edge as clamps reach, where `room` fits there.
    """
    out = []
    for rail, inward in zip(rails, (1.0, -1.0), strict=True):
        left, low, right, high = rail.bounds
        level = right - left >= high - low
        half = min(right - left, high - low) / 2.0
        by = inward * (min(max(half, FROM_EDGE_MM + room), max(half, 2.0 * half - room)) - half)
        x, y = (left + right) / 2.0 + (0.0 if level else by), (low + high) / 2.0 + (by if level else 0.0)
        out.append([(left + along, y), (right - along, y)] if level else [(x, low + along), (x, high - along)])
    (one, two), (three, four) = out
    return [one, four, three, two]


def _fiducials(panel: PanelFile, rails: tuple[Polygon, ...], frame: shapely.Geometry) -> Iterator[Fiducial]:
    plan = panel.fiducials
    if plan is None:
        return
    room = plan.opening / 2.0
    along = max(FROM_EDGE_MM + room, _tooling_reach(panel) + room + 1.0)
    for x, y in _corners(rails, room, along)[: plan.count]:
        _check_on(panel, "fiducials", shapely.Point(x, y).buffer(room), frame)
        yield Fiducial(x_mm=round(x, 3), y_mm=round(y, 3), diameter_mm=plan.diameter, opening_mm=plan.opening)


def _tooling_reach(panel: PanelFile) -> float:
    return 0.0 if panel.tooling is None else panel.tooling.diameter + 2.0


def _tooling(panel: PanelFile, rails: tuple[Polygon, ...], frame: shapely.Geometry) -> Iterator[Hole]:
    plan = panel.tooling
    if plan is None:
        return
    for x, y in _corners(rails, 0.0, plan.diameter / 2.0 + 2.0)[: plan.count]:
        _check_on(panel, "tooling_holes", shapely.Point(x, y).buffer(plan.diameter / 2.0), frame)
        yield Hole(x_mm=round(x, 3), y_mm=round(y, 3), diameter_mm=plan.diameter, plated=False)


def _check_on(panel: PanelFile, key: str, mark: Polygon, frame: shapely.Geometry) -> None:
    if not frame.covers(mark):
        x, y = mark.centroid.x, mark.centroid.y
        raise PanelError(
            f"{panel.file_name}: {key}: there is no rail wide enough for one at {x:.2f}, {y:.2f} mm, where it needs "
            f"{mark.bounds[2] - mark.bounds[0]:.3g} mm.",
            mend="Make the rails wider (rails.top and rails.bottom, or left and right), or the marks smaller.",
        )


def letters(
    text: str,
    middle: Point,
    *,
    side: SideName,
    height: float,
    stroke: float,
    turn: int = 0,
    number: int | None = None,
) -> Text:
    """A line of text about a point, `height` high from stroke to stroke. On the bottom it is mirrored, as seen from the
    top. `turn` : quarters, as the piece is turned."""
    cap = height - stroke
    spacing = 2.2 * stroke / cap
    words = printable(text)
    width = text_width(words, spacing) * cap
    lines = []
    for line in lay_line(words, spacing):
        points = np.array([(x * cap - width / 2.0, cap / 2.0 - y * cap) for x, y in line])
        if side == "bottom":
            points[:, 0] = -points[:, 0]
        for _ in range(turn % 4):
            points = points[:, ::-1] * [-1.0, 1.0]
        points += middle
        lines.append(LineString(points) if len(points) > 1 else shapely.Point(points[0]))
    drawn = shapely.union_all([line.buffer(stroke / 2.0, quad_segs=8) for line in lines])
    areas = tuple(
        tuple(
            np.rint(shapely.get_coordinates(ring)[:-1] * NM_PER_MM).astype(np.int64)
            for ring in (part.exterior, *part.interiors)
        )
        for part in shapely.get_parts(drawn)
    )
    return Text(text=words, side=side, areas=areas, box=drawn.bounds, height_mm=height, number=number)


def _pen(fab: FabProfile) -> tuple[float, float]:
    """Stroke and least height of legend text, stroke to stroke."""
    stroke = max(fab.limits["legend", "line_mm"].value_mm, fab.limits["legend", "dot_mm"].value_mm)
    least = max(fab.limits["legend", "text_height_mm"].value_mm, LEAST_HEIGHT_MM, _STROKES_PER_HEIGHT * stroke)
    return stroke, least


def _width(text: str, height: float, stroke: float) -> float:
    cap = height - stroke
    return text_width(printable(text), 2.2 * stroke / cap) * cap + stroke


def _label(
    panel: PanelFile,
    rails: tuple[Polygon, ...],
    frame: shapely.Geometry,
    taken: Sequence[Polygon],
    fab: FabProfile,
) -> Iterator[Text]:
    """The panel's name in the middle of a rail: the upper or right one first."""
    if panel.label is None:
        return
    words = panel.label or panel.name
    stroke, least = _pen(fab)
    height = max(least, HIGHEST_MM)
    for rail, size in itertools.product(rails[::-1], dict.fromkeys((height, least))):
        left, low, right, high = rail.bounds
        level = right - left >= high - low
        middle = ((left + right) / 2.0, (low + high) / 2.0)
        text = letters(words, middle, side="top", height=size, stroke=stroke, turn=0 if level else 1)
        room = shapely.box(*text.box).buffer(0.5, join_style="mitre")
        if frame.covers(room) and not any(room.intersects(each) for each in taken):
            yield text
            return
    raise PanelError(
        f"{panel.file_name}: label {words!r} fits on no rail in letters of {least:g} mm.",
        mend="Shorten it, make the rails wider, or leave it out.",
    )


def _number(piece: PlacedPiece, panel: PanelFile, fab: FabProfile) -> Text | None:
    """A piece's number in its free place; None where it has none on that side, or too small a one."""
    free = piece.free
    plan = panel.numbering
    if free is None or (free.side in piece.piece.art) != (plan.where == "front"):
        return None
    stroke, least = _pen(fab)
    words = str(piece.number)
    # The place is along the piece's own x or y: a number stands as the piece does.
    upright = piece.piece.free is not None and piece.piece.free.height_mm > piece.piece.free.width_mm
    turn = piece.move.turn + (1 if upright else 0)
    along, across = max(free.width_mm, free.height_mm), min(free.width_mm, free.height_mm)
    height = plan.height or max(least, min(HIGHEST_MM, across))
    if height < least or height > across + 1e-6 or _width(words, height, stroke) > along + 1e-6:
        return None
    return letters(
        words,
        (free.x_mm, free.y_mm),
        side=free.side,
        height=height,
        stroke=stroke,
        turn=turn,
        number=piece.number,
    )
