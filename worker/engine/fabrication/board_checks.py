"""Whether a board's outline, cut-outs and holes can be: wrong shapes are errors, what a fab can't make is a finding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from shapely.geometry import Polygon

from worker.engine.fabrication.board import Score
from worker.engine.fabrication.router_reach import LeftOver
from worker.errors import BoardError
from worker.fab_profile import FabProfile

OpeningKind = Literal["cut-out", "plated hole", "bare hole", "slot"]

_LIMIT_OF: dict[OpeningKind, tuple[str, str]] = {
    "plated hole": ("holes", "plated_mm"),
    "bare hole": ("holes", "bare_mm"),
    "slot": ("holes", "slot_mm"),
}
_ROUNDING_MM = 1e-6
THINNEST_SCORED_MM = 1.0
"""Published fab pages: 1.0 mm and more, 0.5 to 0.8 mm with limits."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Opening:
    """What is taken out of the board: `name` as messages name it, `width_mm` of a hole or slot."""

    name: str
    polygon: Polygon
    kind: OpeningKind
    width_mm: float | None = None

    @property
    def place(self) -> tuple[float, float]:
        """Where messages place it: a hole's centre, a place inside any other."""
        point = self.polygon.representative_point() if self.kind == "cut-out" else self.polygon.centroid
        return float(point.x), float(point.y)


FindingKind = Literal[
    "inside corner", "narrow cut-out", "small hole", "narrow slot", "thin wall", "close pads", "pad at edge"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardFinding:
    """What a fab can't make as drawn. `limit` is the profile's key; `mended` where the outline was changed to fit."""

    kind: FindingKind
    text: str
    x_mm: float
    y_mm: float
    size_mm: float
    limit_mm: float
    limit: str
    mended: bool = False
    area_mm2: float | None = None


def check_outline(outline: Polygon, width_mm: float, height_mm: float, pitch_mm: float) -> None:
    """Raise BoardError unless the outline is simple, has an area and lies on the artwork."""
    _check_simple("outline", outline)
    left, low, right, top = outline.bounds
    for side, by in (("left", -left), ("right", right - width_mm), ("upper", top - height_mm), ("lower", -low)):
        if by > pitch_mm:
            raise BoardError(
                f"outline: it reaches {by:.3g} mm beyond the {side} edge of the artwork, which is "
                f"{width_mm:g} x {height_mm:g} mm.",
                mend="Move it onto the artwork, or make the artwork larger.",
            )


def check_openings(outline: Polygon, openings: Sequence[Opening], fab: FabProfile) -> list[BoardFinding]:
    """Sizes and walls of cut-outs, holes and slots.

    Raises
    ------
    BoardError
        One crosses itself or the outline, lies off the board, or meets another.
    """
    wall = fab.limits["holes", "wall_mm"].value_mm
    board = Polygon(outline.exterior)
    shapely.prepare(board)
    findings = []
    for opening in openings:
        _check_simple(opening.name, opening.polygon)
        if not board.contains_properly(opening.polygon):
            raise BoardError(
                f"{opening.name}: it lies off the board, or across its edge, {_at(opening)}.",
                mend="Move it inward, or draw the bay into the outline.",
            )
        findings += _size_findings(opening, fab)
        distance = float(opening.polygon.distance(board.exterior))
        if distance < wall - _ROUNDING_MM:
            findings.append(_wall_finding(opening, "the board's edge", distance, wall))
    findings += _walls_between(openings, wall)
    return findings


def check_scores(outline: Polygon, scores: Sequence[tuple[str, Score]]) -> None:
    """Raise BoardError for a score that misses the board."""
    left, low, right, high = outline.bounds
    for name, score in scores:
        first, last, axis = (left, right, "x") if score.upright else (low, high, "y")
        if not first - _ROUNDING_MM <= score.at_mm <= last + _ROUNDING_MM:
            raise BoardError(
                f"{name}: the line lies beside the board, which reaches from {axis} = {first:g} to {last:g} mm, "
                f"{axis} = {score.at_mm:g} mm (from its lower left corner).",
                mend="Lay it along a straight edge, or across the board.",
            )


def thin_for_scores(scores: Sequence[tuple[str, Score]], fab: FabProfile) -> list[str]:
    """What to ask a fab about scores in a thin board."""
    thickness = float(fab.stack_up["thickness_mm"])
    if not scores or thickness >= THINNEST_SCORED_MM:
        return []
    return [
        f"Many fabs score no board thinner than {THINNEST_SCORED_MM:g} mm, and this one is {thickness:g} mm: ask yours."
    ]


def corner_findings(name: str, corners: Sequence[LeftOver], bit_mm: float, *, rounded: bool) -> list[BoardFinding]:
    """One finding for each inside corner that a bit can't clear."""
    did = "it is rounded" if rounded else "the fab will leave it, or round it"
    return [
        BoardFinding(
            kind="inside corner",
            text=(
                f"{name}: a router's bit of {bit_mm:g} mm leaves {corner.area_mm2:.3g} mm2 in the inside corner at "
                f"{corner.x_mm:.2f}, {corner.y_mm:.2f} mm, and stays {corner.stand_off_mm:.3g} mm off it: {did}."
            ),
            x_mm=corner.x_mm,
            y_mm=corner.y_mm,
            size_mm=corner.stand_off_mm,
            limit_mm=bit_mm,
            limit="routing.bit_mm",
            mended=rounded,
            area_mm2=corner.area_mm2,
        )
        for corner in corners
    ]


def narrow_finding(opening: Opening, fab: FabProfile) -> BoardFinding:
    """A cut-out that the router's bit can't enter."""
    bit = fab.limits["routing", "bit_mm"].value_mm
    widest = 2.0 * float(shapely.length(shapely.maximum_inscribed_circle(opening.polygon)))
    return finding(
        opening,
        "narrow cut-out",
        f"is {widest:.3g} mm wide at most, and the router's bit {bit:g} mm",
        (widest, bit, "routing.bit_mm"),
    )


def _check_simple(name: str, polygon: Polygon) -> None:
    if not polygon.is_valid:
        reason = shapely.is_valid_reason(polygon)
        place = reason.partition("[")[2].rstrip("]").replace(" ", ", ")
        raise BoardError(
            f"{name}: its line crosses or touches itself{f' at {place} mm' if place else ''}.",
            mend="Draw it as one closed line that never meets itself.",
        )
    if not polygon.area > 1e-4:
        raise BoardError(f"{name}: it has an area of {polygon.area:.2g} mm2.", mend="Draw round something.")


def _size_findings(opening: Opening, fab: FabProfile) -> list[BoardFinding]:
    if opening.width_mm is None:
        return []
    section, key = _LIMIT_OF[opening.kind]
    least = fab.limits[section, key].value_mm
    if opening.width_mm >= least - _ROUNDING_MM:
        return []
    word = f"{opening.width_mm:g} mm wide" if opening.kind == "slot" else f"a {opening.kind} of {opening.width_mm:g} mm"
    return [
        finding(
            opening,
            "narrow slot" if opening.kind == "slot" else "small hole",
            f"is {word}, and the fab makes none below {least:g} mm",
            (opening.width_mm, least, f"{section}.{key}"),
        )
    ]


def _walls_between(openings: Sequence[Opening], wall: float) -> list[BoardFinding]:
    polygons = np.array([opening.polygon for opening in openings], dtype=object)
    if len(polygons) < 2:
        return []
    findings = []
    for i, j in shapely.STRtree(polygons).query(polygons, predicate="dwithin", distance=wall - _ROUNDING_MM).T:
        if i >= j:
            continue
        distance = float(polygons[i].distance(polygons[j]))
        if distance == 0.0:
            raise BoardError(
                f"{openings[j].name}: it meets {openings[i].name}, {_at(openings[j])}.",
                mend="Move them apart, or draw both as one cut-out.",
            )
        findings.append(_wall_finding(openings[j], openings[i].name, distance, wall))
    return findings


def _wall_finding(opening: Opening, other: str, distance: float, wall: float) -> BoardFinding:
    return finding(
        opening,
        "thin wall",
        f"leaves {distance:.3g} mm of board to {other}, and the fab wants {wall:g} mm",
        (distance, wall, "holes.wall_mm"),
    )


def finding(
    opening: Opening,
    kind: FindingKind,
    text: str,
    sizes: tuple[float, float, str],
) -> BoardFinding:
    """What is wrong with an opening, and where.

    sizes : in mm, what it has and what the fab wants, and that limit's key.
    """
    x, y = opening.place
    size, limit, key = sizes
    return BoardFinding(
        kind=kind,
        text=f"{opening.name}, {_at(opening)}, {text}.",
        x_mm=x,
        y_mm=y,
        size_mm=size,
        limit_mm=limit,
        limit=key,
    )


def _at(opening: Opening) -> str:
    x, y = opening.place
    return f"at {x:.2f}, {y:.2f} mm"
