"""What a fab may refuse on a panel: each limit with its value, its source and what was found. Nothing stops a job."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from worker.engine.arrays import Floats
from worker.engine.fabrication.board import Hole
from worker.engine.fabrication.board_checks import THINNEST_SCORED_MM
from worker.engine.fabrication.gerber_sampling import STATE
from worker.engine.fabrication.grid import NM_PER_MM
from worker.engine.fabrication.layer_files import LAYER_KINDS
from worker.engine.fabrication.planes import COPPER
from worker.engine.panel.marks import FROM_EDGE_MM
from worker.engine.panel.panel_files import Panel
from worker.engine.panel.piece import Piece
from worker.engine.panel.stepping import sides_of
from worker.engine.panel.tabs import FARTHEST_APART_MM

PAGES = "published fab pages"
LEAST_RAIL_MM = 5.0
LEAST_PANEL_MM, LARGEST_PANEL_MM = (50.0, 50.0), (420.0, 580.0)
"""Delivered panels, published fab pages: 50 x 50 to 250 x 350, some 420 x 580 mm."""
LEAST_SCORED_MM, LARGEST_SCORED_MM = 75.0, (450.0, 1245.0)
WIDEST_TAB_MM = 3.0
LEAST_TABS_EACH = 2
_NEARLY = 3e-3  # places are whole micrometres, and discs polygons
_NEAR_MM = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelCheck:
    """One limit. found : the worst value on the panel, None where there is nothing to measure. ok : whether it holds.

    limit_mm : the value of the limit (pieces where it counts those). least : whether found may not be less, or more.
    """

    id: str
    text: str
    found: float | None
    limit: float
    least: bool
    source: str

    @property
    def ok(self) -> bool:
        """Whether the limit holds."""
        if self.found is None:
            return True
        return self.found >= self.limit - _NEARLY if self.least else self.found <= self.limit + _NEARLY

    @property
    def sentence(self) -> str:
        """What is wrong, where it does not hold."""
        found = "nothing" if self.found is None else f"{self.found:.3g}"
        wanted = "less than" if self.least else "more than"
        return f"{self.text[0].upper()}{self.text[1:]}: {found}, which is {wanted} {self.limit:g} ({self.source})."


def check_panel(panel: Panel) -> tuple[PanelCheck, ...]:
    """Every limit that this panel's kind calls for, in a fixed order."""
    return (*_sizes(panel), *_rails(panel), *_spacing(panel), *_tabs(panel), *_scores(panel), *_holes(panel))


def _limit(panel: Panel, section: str, key: str) -> tuple[float, str]:
    limit = panel.fab.limits[section, key]
    return limit.value_mm, f"fab profile, limits.{section}.{key}" + ("" if limit.stated else " (not stated there)")


def _sizes(panel: Panel) -> Iterator[PanelCheck]:
    short, long = sorted(panel.size_mm)
    yield PanelCheck(
        id="smallest-panel",
        text="the panel's shorter side",
        found=short,
        limit=LEAST_PANEL_MM[0],
        least=True,
        source=PAGES,
    )
    for side, most, words in ((short, LARGEST_PANEL_MM[0], "shorter"), (long, LARGEST_PANEL_MM[1], "longer")):
        yield PanelCheck(
            id=f"largest-panel-{words}",
            text=f"the panel's {words} side",
            found=side,
            limit=most,
            least=False,
            source=PAGES,
        )


def _rails(panel: Panel) -> Iterator[PanelCheck]:
    rails = panel.file.rails
    widths = [width for width in (rails.left, rails.right, rails.top, rails.bottom) if width > 0]
    pairs = max(min(rails.left, rails.right), min(rails.top, rails.bottom))
    yield PanelCheck(
        id="rail-width",
        text="the narrowest rail" if pairs or not widths else "the rails: two that face each other are wanted",
        found=min(widths) if widths and pairs else 0.0,
        limit=LEAST_RAIL_MM,
        least=True,
        source=PAGES,
    )
    if panel.marks.fiducials:
        edge = panel.laid.board.exterior
        clear = min(
            edge.distance(shapely.Point(mark.x_mm, mark.y_mm)) - mark.opening_mm / 2.0 for mark in panel.marks.fiducials
        )
        yield PanelCheck(
            id="fiducial-edge",
            text="from the panel's edge to the clear zone of a fiducial mark",
            found=clear,
            limit=FROM_EDGE_MM,
            least=True,
            source="SMEMA, as quoted with IPC-7351: for boards that a machine places parts on",
        )
        yield PanelCheck(
            id="fiducial-opening",
            text="the opening round a fiducial mark, in diameters of it",
            found=min(mark.opening_mm / mark.diameter_mm for mark in panel.marks.fiducials),
            limit=2.0,
            least=True,
            source="SMEMA, as quoted with IPC-7351",
        )


def _spacing(panel: Panel) -> Iterator[PanelCheck]:
    if panel.cut.slot_mm is None:
        return
    bit, source = _limit(panel, "routing", "bit_mm")
    outlines = [piece.outline for piece in panel.laid.placed]
    yield PanelCheck(
        id="router-bit",
        text="the narrowest way for the router's bit round a piece",
        found=min(_least_distance(outlines), panel.cut.slot_mm),
        limit=bit,
        least=True,
        source=source,
    )


def _least_distance(outlines: Sequence[shapely.Geometry]) -> float:
    shapes = np.array(outlines, dtype=object)
    if len(shapes) < 2:
        return math.inf
    tree = shapely.STRtree(shapes)
    found = tree.query_nearest(shapes, exclusive=True, return_distance=True)[1]
    return float(found.min())


def _tabs(panel: Panel) -> Iterator[PanelCheck]:
    tabbed = panel.cut.tabbed
    if tabbed is None:
        return
    counts, gaps = [], []
    for i, piece in enumerate(panel.laid.placed):
        tabs = tabbed.of(i)
        counts.append(len(tabs))
        length = piece.outline.exterior.length
        along = sorted(tab.along[i] for tab in tabs)
        gaps += [b - a for a, b in zip(along, [*along[1:], along[0] + length], strict=True)] if along else [length]
    yield PanelCheck(
        id="tab-width",
        text="the width of a tab",
        found=panel.file.tabs.width,
        limit=WIDEST_TAB_MM,
        least=False,
        source="a published maker test of perforated tabs",
    )
    yield PanelCheck(
        id="tabs-of-a-piece",
        text="tabs that hold a piece, at least",
        found=float(min(counts)),
        limit=float(LEAST_TABS_EACH),
        least=True,
        source="common practice, no source",
    )
    yield PanelCheck(
        id="tabs-apart",
        text="along an edge from tab to tab, at most",
        found=max(gaps),
        limit=FARTHEST_APART_MM,
        least=False,
        source="common practice, no source",
    )
    bare, source = _limit(panel, "holes", "bare_mm")
    yield PanelCheck(
        id="perforation-hole",
        text="the holes of the perforations",
        found=tabbed.hole_mm,
        limit=bare,
        least=True,
        source=source,
    )
    yield _copper_near(panel, tabbed.holes)


def _copper_near(panel: Panel, holes: Sequence[Hole]) -> PanelCheck:
    """How near copper comes to a perforation's hole, which is drilled as a bare hole."""
    limit, source = _limit(panel, "edge", "routed_mm")
    least = math.inf
    sides = {id(piece.piece): _copper_sides(panel, piece.piece) for piece in panel.laid.placed}
    for piece in panel.laid.placed:
        near = [hole for hole in holes if piece.outline.distance(shapely.Point(hole.x_mm, hole.y_mm)) < _NEAR_MM]
        if near and len(sides[id(piece.piece)]):
            middles = piece.move.back(np.array([(hole.x_mm, hole.y_mm) for hole in near]) * NM_PER_MM) / NM_PER_MM
            for middle, hole in zip(middles, near, strict=True):
                least = min(least, _distance(middle, sides[id(piece.piece)]) - hole.diameter_mm / 2.0)
    return PanelCheck(
        id="copper-to-perforation",
        text="from a piece's copper to a perforation's hole",
        found=None if math.isinf(least) else least,
        limit=limit,
        least=True,
        source=source,
    )


def _distance(point: Floats, sides: Floats) -> float:
    """mm from a point to the nearest of sides, float64 (n, 4)."""
    begin, way = sides[:, :2], sides[:, 2:] - sides[:, :2]
    size = np.maximum((way**2).sum(axis=1), 1e-12)
    along = np.clip(((point - begin) * way).sum(axis=1) / size, 0.0, 1.0)
    return float(np.hypot(*(begin + way * along[:, None] - point).T).min())


def _copper_sides(panel: Panel, piece: Piece) -> Floats:
    """float64 (n, 4) mm: both ends of the sides of all copper of a piece, near its edge and on both faces."""
    (kind,) = (each for each in LAYER_KINDS if each.bit == COPPER)
    steps = panel.steps[id(piece)]
    names = [name for side in ("top", "bottom") if (name := f"{kind.name}-{side}.gbr") in steps]
    found = np.concatenate([np.zeros((0, 4)), *(sides_of(steps[name]) / NM_PER_MM for name in names)])
    inner = piece.outline.buffer(-_NEAR_MM)
    lines = shapely.linestrings(found.reshape(-1, 2, 2))
    shapely.prepare(inner)
    return np.asarray(found[~shapely.contains_properly(inner, lines)])


def _scores(panel: Panel) -> Iterator[PanelCheck]:
    if not panel.cut.scores:
        return
    thickness = float(panel.fab.stack_up["thickness_mm"])
    yield PanelCheck(
        id="scored-thickness",
        text="the thickness of a scored board",
        found=thickness,
        limit=THINNEST_SCORED_MM,
        least=True,
        source=PAGES,
    )
    short, long = sorted(panel.size_mm)
    for id_, side, limit, least in (
        ("scored-smallest", short, LEAST_SCORED_MM, True),
        ("scored-largest-shorter", short, LARGEST_SCORED_MM[0], False),
        ("scored-largest-longer", long, LARGEST_SCORED_MM[1], False),
    ):
        yield PanelCheck(id=id_, text="a side of a scored panel", found=side, limit=limit, least=least, source=PAGES)
    limit, source = _limit(panel, "edge", "scored_mm")
    yield PanelCheck(
        id="layers-to-score",
        text="from any layer of a piece to a score",
        found=_layers_to_scores(panel),
        limit=limit,
        least=True,
        source=source,
    )


def _layers_to_scores(panel: Panel) -> float | None:
    """How near a layer's box comes to a score along the edge of its piece."""
    least = math.inf
    for piece in panel.laid.placed:
        left, low, right, high = piece.outline.bounds
        for layer in panel.steps[id(piece.piece)].values():
            boxes = layer.boxes[layer.kinds != STATE]
            if not len(boxes):
                continue
            box = np.array([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)], np.int64)
            (x0, y0), (x1, y1) = piece.move.points(box) / NM_PER_MM
            inside: Floats = np.array([min(x0, x1) - left, min(y0, y1) - low, right - max(x0, x1), high - max(y0, y1)])
            along = [
                any(score.upright == upright and abs(score.at_mm - at) < 0.01 for score in panel.cut.scores)
                for upright, at in ((True, left), (False, low), (True, right), (False, high))
            ]
            least = min([least, *(float(by) for by, scored in zip(inside, along, strict=True) if scored)])
    return None if math.isinf(least) else least


def _holes(panel: Panel) -> Iterator[PanelCheck]:
    wall, source = _limit(panel, "holes", "wall_mm")
    drilled = [(hole, hole.diameter_mm / 2.0) for hole in panel.marks.tooling]
    if drilled:
        edge = panel.laid.board.exterior
        rim = shapely.union_all([edge, *(part.boundary for part in shapely.get_parts(panel.cut.frame))])
        yield PanelCheck(
            id="hole-to-edge",
            text="from a tooling hole to the nearest edge",
            found=min(float(rim.distance(shapely.Point(hole.x_mm, hole.y_mm))) - radius for hole, radius in drilled),
            limit=wall,
            least=True,
            source=source,
        )
