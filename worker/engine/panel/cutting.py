"""How pieces come out of the panel: slots with tabs, scores, or slots all round; and the lines that a fab routes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

from worker.engine.fabrication.board import Hole, Score
from worker.engine.fabrication.grid import NM_PER_MM, Points
from worker.engine.panel.laying import Laid
from worker.engine.panel.placed import PlacedPiece
from worker.engine.panel.tabs import Tabbed, set_tabs
from worker.errors import PanelError
from worker.fab_profile import FabProfile
from worker.panel_file import PanelFile

WEB_MM = 3.0
"""What would stay of the panel between slots narrower than this is routed away (common practice, no source)."""
_NEARLY_MM = 1e-6
_STRAIGHT_MM = 2e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cut:
    """The panel as it is cut.

    rings : int64 (n, 2) nm, every closed line of the profile, the panel's own first. scores : straight across it.
    tabbed : tabs and their perforations, None without. slot_mm : least width that is routed, None where nothing is.
    frame : what stays of the panel when the pieces are out, in mm.
    """

    rings: tuple[Points, ...]
    scores: tuple[Score, ...]
    tabbed: Tabbed | None
    slot_mm: float | None
    frame: shapely.Geometry

    @property
    def perforations(self) -> tuple[Hole, ...]:
        """The holes that tabs break at."""
        return () if self.tabbed is None else self.tabbed.holes


def cut_panel(panel: PanelFile, laid: Laid, fab: FabProfile) -> Cut:
    """Cut a panel whose pieces are laid. PanelError where its join can't be made."""
    if panel.join == "scores":
        return _scored(panel, laid)
    bit = fab.limits["routing", "bit_mm"].value_mm
    slot = panel.spacing
    if slot < bit - _NEARLY_MM:
        raise PanelError(
            f"{panel.file_name}: spacing is {slot:g} mm, and the fab's router has a bit of {bit:g} mm.",
            mend=f"Leave {bit:g} mm or more between pieces, or choose join = scores for rectangles.",
        )
    outlines = [piece.outline for piece in laid.placed]
    round_them = shapely.union_all([outline.buffer(slot, quad_segs=32) for outline in outlines])
    frame = _kept(laid.board.difference(round_them), laid.board)
    own = tuple(ring for piece in laid.placed for ring in piece.rings[1:])
    if panel.join == "loose":
        lines = [*_lines(frame), *(piece.rings[0] for piece in laid.placed), *own]
        return Cut(rings=tuple(lines), scores=(), tabbed=None, slot_mm=slot, frame=frame)
    tabbed = set_tabs(laid.placed, frame, slot, panel.tabs, fab, panel.file_name)
    slots = _slots(laid, frame, tabbed, min(bit / 2.0, slot / 2.0 - 0.01))
    whole = laid.board.difference(slots)
    parts = sorted(shapely.get_parts(whole), key=lambda part: -part.area)
    whole = parts[0]
    # What the slots cut off the frame falls out with them; a piece never does, since tabs hold it.
    if any(not whole.buffer(1e-4).covers(outline.representative_point()) for outline in outlines):
        raise PanelError(
            f"{panel.file_name}: the slots would cut a piece off.",
            mend="Give it more tabs (tabs.count), or wider ones.",
        )
    return Cut(rings=(*_lines(whole), *own), scores=(), tabbed=tabbed, slot_mm=slot, frame=frame)


def _kept(frame: shapely.Geometry, board: Polygon) -> shapely.Geometry:
    """The frame without its thin parts, and without islands that don't reach the panel's edge."""
    half = WEB_MM / 2.0
    thick = frame.buffer(-half, join_style="mitre").buffer(half, join_style="mitre").intersection(frame)
    edge = board.exterior.buffer(0.01)
    parts = [part for part in shapely.get_parts(thick) if part.intersects(edge) and part.area > 1.0]
    return shapely.union_all(parts)


def _slots(laid: Laid, frame: shapely.Geometry, tabbed: Tabbed, radius: float) -> shapely.Geometry:
    """What is routed, its ends at the tabs as round as the bit."""
    open_ = laid.board.difference(frame).difference(shapely.union_all([piece.outline for piece in laid.placed]))
    if not tabbed.tabs:
        return open_
    strips = shapely.union_all([tab.strip for tab in tabbed.tabs])
    cut = open_.difference(strips)
    near = strips.buffer(2.0 * radius)
    rounded = cut.buffer(-radius, quad_segs=32).buffer(radius * (1.0 + 1e-6), quad_segs=32).intersection(cut)
    whole = cut.difference(near).union(rounded)
    parts = [part for part in shapely.get_parts(whole) if part.area > 0.05]
    return shapely.union_all(parts)


def _lines(region: shapely.Geometry) -> list[Points]:
    """The closed lines round a region, in whole nanometres, outer ones first."""
    outer: list[Points] = []
    inner: list[Points] = []
    for part in sorted(shapely.get_parts(region), key=lambda each: -each.area):
        outer.append(_ring(part.exterior))
        inner += [_ring(ring) for ring in part.interiors if Polygon(ring).area > 1e-3]
    return outer + inner


def _ring(ring: shapely.LinearRing) -> Points:
    points = np.rint(shapely.get_coordinates(ring)[:-1] * NM_PER_MM).astype(np.int64)
    # Set operations leave corners a nanometre apart where two lines were one: a fab's program stumbles over those.
    following = np.roll(points, -1, axis=0)
    return np.asarray(points[np.abs(points - following).max(axis=1) > 50])


def _scored(panel: PanelFile, laid: Laid) -> Cut:
    """Scores along every piece's edges; PanelError where one would run through a piece, or an edge is not straight."""
    if panel.spacing > _NEARLY_MM:
        raise PanelError(
            f"{panel.file_name}: spacing is {panel.spacing:g} mm, and join is scores.",
            mend="Leave spacing out: scored pieces stand edge to edge, one score between two.",
        )
    at: dict[bool, list[float]] = {True: [], False: []}
    for piece in laid.placed:
        left, low, right, high = piece.outline.bounds
        if abs(piece.outline.area - (right - left) * (high - low)) > _STRAIGHT_MM * piece.outline.length:
            raise PanelError(
                f"{panel.file_name}: {piece.piece.source} is no rectangle, and join is scores.",
                mend="A score is straight across the whole panel: choose join = tabs.",
            )
        at[True] += [left, right]
        at[False] += [low, high]
    left, low, right, high = laid.board.bounds
    scores = [
        Score(upright=upright, at_mm=value)
        for upright, (first, last) in ((True, (left, right)), (False, (low, high)))
        for value in _distinct(at[upright])
        if first + _STRAIGHT_MM < value < last - _STRAIGHT_MM
    ]
    for score in scores:
        for piece in laid.placed:
            _check_beside(panel, score, piece)
    lines = [_ring(laid.board.exterior), *(ring for piece in laid.placed for ring in piece.rings[1:])]
    outlines = shapely.union_all([piece.outline for piece in laid.placed])
    frame = laid.board.difference(outlines)
    return Cut(rings=tuple(lines), scores=tuple(scores), tabbed=None, slot_mm=None, frame=frame)


def _distinct(values: Sequence[float]) -> list[float]:
    out: list[float] = []
    for value in sorted(values):
        if not out or value - out[-1] > _STRAIGHT_MM:
            out.append(value)
    return out


def _check_beside(panel: PanelFile, score: Score, piece: PlacedPiece) -> None:
    left, low, right, high = piece.outline.bounds
    first, last = (left, right) if score.upright else (low, high)
    if first + 2 * _STRAIGHT_MM < score.at_mm < last - 2 * _STRAIGHT_MM:
        axis = "x" if score.upright else "y"
        raise PanelError(
            f"{panel.file_name}: a score at {axis} = {score.at_mm:g} mm, along another piece's edge, would run "
            f"through piece {piece.number} ({piece.piece.name}).",
            mend="A score goes straight across the whole panel: put pieces of one size on it, in one turn (turns = "
            "[0]), or choose join = tabs.",
        )
