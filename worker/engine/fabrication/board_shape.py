"""The board's shape: one closed outline, cut-outs and holes, exact in mm, and the grid's pixels that are board.

Lengths are mm from the grid's lower left corner, x to the right, y upward, seen from the side that the artwork is on.
Curves are polylines within `worker.outlines.CHORD_MM`. The outline is a line without width: the board ends there.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from shapely.affinity import translate
from shapely.geometry import Polygon

from worker.board_file import BoardFile, PlannedHole, PlannedScore
from worker.engine.arrays import Floats
from worker.engine.artwork.margin import Margins, with_margins
from worker.engine.artwork.picture import GridPicture
from worker.engine.artwork.svg_outline import svg_outline
from worker.engine.fabrication.board import BoardShape, Hole, Ring, Score
from worker.engine.fabrication.board_checks import (
    BoardFinding,
    Opening,
    check_openings,
    check_outline,
    check_scores,
    corner_findings,
    narrow_finding,
    thin_for_scores,
)
from worker.engine.fabrication.pad_checks import pad_findings
from worker.engine.fabrication.raster import rasterise
from worker.engine.fabrication.router_reach import cut_out_reach, outline_reach
from worker.engine.fabrication.silhouette import silhouette
from worker.errors import BoardError
from worker.fab_profile import FabProfile
from worker.job_settings import Settings
from worker.outlines import Point, circle_points, rounded_rectangle_points


def shape_board(
    picture: GridPicture,
    settings: Settings,
    fab: FabProfile,
    *,
    board_file: BoardFile | None = None,
    svg: bytes | None = None,
    threads: int = 1,
) -> tuple[GridPicture, BoardShape]:
    """The board's shape, and the picture on the board's grid, which an offset silhouette makes larger.

    Parameters
    ----------
    svg : bytes or None
        The artwork's file where it is an SVG, for `board = path:#ID`.

    Raises
    ------
    BoardError
        Names the entry and the mend. What a fab can't make is no error but one of `findings`.
    """
    bit_mm = fab.limits["routing", "bit_mm"].value_mm
    outline, cut_outs, margins, warnings = _drawn(picture, settings, board_file, svg, bit_mm)
    shift = margins.left * picture.pitch_um / 1000.0, margins.bottom * picture.pitch_um / 1000.0
    artwork_mm = picture.width_mm, picture.height_mm
    picture = with_margins(picture, margins)
    openings = list(cut_outs)
    holes: list[tuple[str, Hole]] = []
    scores: list[tuple[str, Score]] = []
    if board_file is not None:
        place = _Placing(board_file.origin, artwork_mm, shift)
        for cut_out in board_file.cut_outs:
            openings.append(Opening(name=cut_out.entry, polygon=Polygon(place(cut_out.points)), kind="cut-out"))
        holes = [(hole.entry, _placed_hole(hole, place)) for hole in board_file.holes]
        scores = [(score.entry, _placed_score(score, place)) for score in board_file.scores]
    check_outline(outline, picture.width_mm, picture.height_mm, picture.pitch_um / 1000.0)
    drilled = [
        Opening(
            name=name,
            polygon=hole.polygon,
            kind="slot" if hole.slot_to else "plated hole" if hole.plated else "bare hole",
            width_mm=hole.diameter_mm,
        )
        for name, hole in holes
    ]
    findings = check_openings(outline, [*openings, *drilled], fab)
    check_scores(outline, scores)
    plated = [opening for opening, (_, hole) in zip(drilled, holes, strict=True) if hole.plated]
    bare = [opening for opening, (_, hole) in zip(drilled, holes, strict=True) if not hole.plated]
    findings += pad_findings(outline, plated, [*openings, *bare], scores, fab)
    outline, routed, corners = _routed(outline, openings, settings, fab)
    rings = (_ring(outline.exterior.coords, 1), *(_ring(part.exterior.coords, -1) for part in routed))
    shape = BoardShape(
        kind="board file" if board_file and board_file.outline else settings.board.kind,
        outline=rings,
        holes=tuple(hole for _, hole in holes),
        board=np.broadcast_to(np.True_, (picture.height_px, picture.width_px)),
        pitch_um=picture.pitch_um,
        margins=margins,
        findings=(*findings, *corners),
        warnings=(*warnings, *_said([*findings, *corners]), *thin_for_scores(scores, fab)),
        scores=tuple(score for _, score in scores),
    )
    return picture, shape if shape.whole else replace(shape, board=_mask(shape, threads))


def _mask(shape: BoardShape, threads: int) -> npt.NDArray[np.bool_]:
    height, width = shape.board.shape
    rings: list[Floats] = [*shape.outline, *(hole.ring for hole in shape.holes)]
    zones = rasterise([rings], height_px=height, width_px=width, pitch_mm=shape.pitch_um / 1000.0, threads=threads)
    board = zones.view(np.bool_)
    board.flags.writeable = False
    return board


class _Placing:
    """Brings points of a board file into the grid's frame."""

    def __init__(self, origin: str, artwork_mm: tuple[float, float], shift: tuple[float, float]) -> None:
        width, height = artwork_mm
        x, y = {"lower left": (0.0, 0.0), "centre": (width / 2.0, height / 2.0), "upper left": (0.0, height)}[origin]
        self.offset = np.array([x + shift[0], y + shift[1]])
        self.scale = np.array([1.0, -1.0 if origin == "upper left" else 1.0])

    def __call__(self, points: Sequence[Point]) -> Ring:
        placed: Ring = np.asarray(points, dtype=np.float64) * self.scale + self.offset
        return placed

    def point(self, x: float, y: float) -> Point:
        placed = self([(x, y)])[0]
        return float(placed[0]), float(placed[1])


def _placed_hole(hole: PlannedHole, place: _Placing) -> Hole:
    x, y = place.point(hole.x, hole.y)
    to = None if hole.to is None else place.point(*hole.to)
    return Hole(x_mm=x, y_mm=y, diameter_mm=hole.diameter, plated=hole.plated, slot_to=to)


def _placed_score(score: PlannedScore, place: _Placing) -> Score:
    x, y = place.point(score.at, score.at)
    return Score(upright=score.upright, at_mm=x if score.upright else y)


_Drawn = tuple[Polygon, list[Opening], Margins, list[str]]


def _drawn(
    picture: GridPicture, settings: Settings, board_file: BoardFile | None, svg: bytes | None, bit_mm: float
) -> _Drawn:
    """The outline as it was asked for, cut-outs that come with it, and what must be added round the picture."""
    choice, width, height = settings.board, picture.width_mm, picture.height_mm
    if board_file is not None and board_file.outline is not None:
        if choice.text() != "rectangle":
            raise BoardError(
                f"The setting board is {choice.text()}, and {board_file.name} has an outline of its own.",
                mend="Leave out one of the two.",
            )
        placed = _Placing(board_file.origin, (width, height), (0.0, 0.0))(board_file.outline)
        return Polygon(placed), [], Margins(), []
    if choice.kind == "disc":
        return _disc(width, height, picture.pitch_um / 1000.0)
    if choice.kind == "silhouette":
        return _silhouette(picture, choice.length_mm, bit_mm)
    if choice.kind == "path":
        return _svg_path(choice.path, svg, width, height)
    if choice.length_mm > min(width, height) / 2.0:
        raise BoardError(
            f"board {choice.text()}: the corner radius is more than half of {min(width, height):g} mm.",
            mend=f"Choose at most {min(width, height) / 2.0:g}mm.",
        )
    return Polygon(rounded_rectangle_points(width, height, choice.length_mm)), [], Margins(), []


def _disc(width: float, height: float, pitch_mm: float) -> _Drawn:
    diameter = min(width, height)
    warnings = []
    if abs(width - height) > 1.5 * pitch_mm:
        warnings.append(
            f"The board is a disc of {diameter:g} mm in the middle of the artwork, which is {width:g} x {height:g} mm: "
            f"the rest is cut off."
        )
    return Polygon(circle_points(width / 2.0, height / 2.0, diameter)), [], Margins(), warnings


def _silhouette(picture: GridPicture, offset_mm: float, bit_mm: float) -> _Drawn:
    pitch_mm = picture.pitch_um / 1000.0
    outline = silhouette(picture.alpha, pitch_mm=pitch_mm, offset_mm=offset_mm, bit_mm=bit_mm)
    left, low, right, top = outline.bounds
    beyond = (-left, right - picture.width_mm, top - picture.height_mm, -low)
    margins = Margins(
        **{
            side: max(0, math.ceil(by / pitch_mm - 1e-6))
            for side, by in zip(("left", "right", "top", "bottom"), beyond, strict=True)
        }
    )
    moved = translate(outline, margins.left * pitch_mm, margins.bottom * pitch_mm)
    if margins.none:
        return moved, [], margins, []
    size = f"{right - left:.2f} x {top - low:.2f} mm"
    return moved, [], margins, [f"With its offset of {offset_mm:g} mm the board is larger than the artwork: {size}."]


def _svg_path(wanted: str, svg: bytes | None, width: float, height: float) -> _Drawn:
    if svg is None:
        raise BoardError(
            f"board path:#{wanted}: the artwork is no SVG, so it has no paths.",
            mend="Give the outline in a board file, or choose rectangle, disc or silhouette.",
        )
    rings = svg_outline(svg, wanted, name="SVG", width_mm=width, height_mm=height)
    polygons = sorted((Polygon(ring) for ring in rings), key=lambda each: -each.area)
    cut_outs = [
        Opening(name=f"part {i} of #{wanted}", polygon=each, kind="cut-out") for i, each in enumerate(polygons[1:], 2)
    ]
    return polygons[0], cut_outs, Margins(), []


def _routed(
    outline: Polygon, cut_outs: Sequence[Opening], settings: Settings, fab: FabProfile
) -> tuple[Polygon, list[Polygon], list[BoardFinding]]:
    """Outline and cut-outs, rounded where that is wanted, and what the bit leaves in inside corners."""
    bit = fab.limits["routing", "bit_mm"].value_mm
    reach = outline_reach(outline, bit / 2.0)
    findings = corner_findings("outline", reach.left_over, bit, rounded=settings.round_corners)
    routed = []
    if settings.round_corners and reach.left_over:
        outline = Polygon(reach.routed[0].exterior)
        # A bay with a mouth narrower than the bit, and room behind it, becomes a cut-out.
        routed += [Polygon(ring) for ring in reach.routed[0].interiors]
    for cut_out in cut_outs:
        inner = cut_out_reach(cut_out.polygon, bit / 2.0)
        if not inner.routed:
            findings.append(narrow_finding(cut_out, fab))
            routed.append(cut_out.polygon)
            continue
        findings += corner_findings(cut_out.name, inner.left_over, bit, rounded=settings.round_corners)
        routed += inner.routed if settings.round_corners and inner.left_over else [cut_out.polygon]
    return outline, routed, findings


def _ring(coordinates: object, turn: Literal[1, -1]) -> Ring:
    points = np.asarray(coordinates, dtype=np.float64)[:, :2]
    if np.array_equal(points[0], points[-1]):
        points = points[:-1]
    x, y = points.T
    area = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    points = np.ascontiguousarray(points if area * turn > 0 else points[::-1])
    points.flags.writeable = False
    return points


def _said(findings: Sequence[BoardFinding]) -> list[str]:
    """A sentence for each kind of finding: the first of it, and how many more there are."""
    said = []
    for _, group in itertools.groupby(sorted(findings, key=lambda each: each.kind), key=lambda each: each.kind):
        first, *more = group
        said.append(first.text if not more else f"{first.text} {len(more)} more of this kind are in the report.")
    return said
