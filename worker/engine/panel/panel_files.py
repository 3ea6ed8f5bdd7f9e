"""Every file of a panel: its layers, profile, scores, drills and job file, named as a board's are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from worker.engine.fabrication.board import Hole, Score
from worker.engine.fabrication.digits import mm_text
from worker.engine.fabrication.drill import xnc_drill
from worker.engine.fabrication.file_attributes import Project
from worker.engine.fabrication.gerber import PROFILE_LINE_NM, gerber_header, gerber_profile, gerber_scores
from worker.engine.fabrication.grid import NM_PER_MM, Points, nanometres
from worker.engine.fabrication.job_file import LayerFile, gerber_job
from worker.engine.fabrication.layer_files import (
    BARE_FILE,
    JOB_FILE,
    LAYER_KINDS,
    PLATED_FILE,
    PROFILE_FILE,
    SCORE_FILE,
    VCUT,
    LayerKind,
    SideName,
)
from worker.engine.fabrication.planes import COPPER, LEGEND, OPENING
from worker.engine.panel.cutting import Cut
from worker.engine.panel.laying import Laid
from worker.engine.panel.marks import Fiducial, Marks
from worker.engine.panel.piece import Piece
from worker.engine.panel.stepping import Size, StepLayer, read_steps, step_runs
from worker.fab_profile import FabProfile
from worker.panel_file import PanelFile

FIDUCIAL = "FiducialPad,Global"
"""Aperture function of a fiducial's copper (Gerber Layer Format Specification, from memory)."""
_SIDES: tuple[SideName, ...] = ("top", "bottom")
_FIRST_APERTURE = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """A panel, laid out. pieces : each once, with its layers by file name as they are stepped."""

    file: PanelFile
    fab: FabProfile
    project: Project
    laid: Laid
    cut: Cut
    marks: Marks
    steps: Mapping[int, Mapping[str, StepLayer]]

    @property
    def sides(self) -> tuple[SideName, ...]:
        """Those that any piece has layers for."""
        return tuple(side for side in _SIDES if any(side in one.piece.sides for one in self.laid.placed))

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of its outline."""
        left, low, right, high = self.laid.board.bounds
        return right - left, high - low

    @property
    def holes(self) -> tuple[Hole, ...]:
        """All of them: the pieces' own, tooling holes, perforations."""
        own = [hole for one in self.laid.placed for hole in one.holes]
        return (*own, *self.marks.tooling, *self.cut.perforations)

    @property
    def corners(self) -> int:
        """How many coordinates its layers have, about."""
        return sum(layer.corners for one in self.laid.placed for layer in self.steps[id(one.piece)].values())

    def across(self, score: Score) -> Points:
        """A score's line right across the panel, int64 (2, 2) nm."""
        left, low, right, high = self.laid.board.bounds
        at = score.at_mm
        ends = [(at, low), (at, high)] if score.upright else [(left, at), (right, at)]
        return np.asarray(np.rint(np.array(ends) * NM_PER_MM), np.int64)


def steps_of(pieces: Sequence[Piece]) -> dict[int, dict[str, StepLayer]]:
    """Every piece's layers, read once, by the piece's identity."""
    return {
        id(piece): {name: read_steps(data, name=f"{piece.source}: {name}") for name, data in piece.layers.items()}
        for piece in pieces
    }


def panel_files(panel: Panel) -> Iterator[tuple[str, bytes]]:
    """Name and bytes of every file."""
    listed: list[LayerFile] = []
    project = panel.project
    for side in panel.sides:
        for kind in LAYER_KINDS:
            name = f"{kind.name}-{side}.gbr"
            yield name, b"".join(_layer(panel, kind, side))
            listed.append(LayerFile(path=name, function=kind.function(side), polarity=kind.polarity))
    yield PROFILE_FILE, gerber_profile(panel.cut.rings, project=project, comment="Profile of the panel")
    listed.append(LayerFile(path=PROFILE_FILE, function="Profile,NP", polarity="Positive"))
    if panel.cut.scores:
        lines = [panel.across(score) for score in panel.cut.scores]
        yield SCORE_FILE, gerber_scores(lines, function=VCUT, project=project)
        listed.append(LayerFile(path=SCORE_FILE, function=VCUT, polarity="Positive"))
    for name, plated in ((PLATED_FILE, True), (BARE_FILE, False)):
        drill = xnc_drill(panel.holes, plated=plated, project=project)
        if drill is not None:
            yield name, drill
    width, height = (nanometres(side) for side in panel.size_mm)
    yield JOB_FILE, gerber_job(listed, panel.fab, project=project, width_nm=width, height_nm=height)


def flashed(panel: Panel, kind: LayerKind) -> list[tuple[Fiducial, int]]:
    """The discs that a layer of either side has for fiducial marks, with their diameters in nm."""
    size = {COPPER: "diameter_mm", OPENING: "opening_mm"}.get(kind.bit)
    return [] if size is None else [(each, nanometres(getattr(each, size))) for each in panel.marks.fiducials]


def _layer(panel: Panel, kind: LayerKind, side: SideName) -> Iterator[bytes]:
    """A layer's file in pieces: the pieces' runs, then what the panel itself carries."""
    name = f"{kind.name}-{side}.gbr"
    laid = [(steps[name], one.move) for one in panel.laid.placed if name in (steps := panel.steps[id(one.piece)])]
    sizes: list[Size] = sorted(set().union(*(layer.used_sizes(move.turn) for layer, move in laid)))
    numbers = {size: _FIRST_APERTURE + i for i, size in enumerate(sizes)}
    discs = flashed(panel, kind) if side == "top" or len(panel.sides) == 2 else []
    round_number = _FIRST_APERTURE + len(sizes)
    function = f"%TA.AperFunction,{kind.aperture_function}*%\n" if kind.aperture_function else ""
    yield gerber_header(panel.project, kind.function(side), kind.polarity, kind.function(side)).encode("ascii")
    yield function.encode("ascii")
    for (width, height), number in numbers.items():
        yield f"%ADD{number}R,{mm_text(width)}X{mm_text(height)}*%\n".encode("ascii")
    diameter = discs[0][1] if discs else PROFILE_LINE_NM
    mark = kind.bit == COPPER and bool(discs)
    yield (f"%TA.AperFunction,{FIDUCIAL}*%\n" if mark else "").encode("ascii")
    yield f"%ADD{round_number}C,{mm_text(diameter)}*%\n".encode("ascii")
    yield (function if mark else "").encode("ascii")
    yield b"%LPD*%\n"
    dark = True
    for wanted, drawn in step_runs(laid, numbers):
        if not drawn:
            continue
        if wanted != dark:
            dark = wanted
            yield b"%LPD*%\n" if dark else b"%LPC*%\n"
        yield drawn
    yield b"" if dark else b"%LPD*%\n"
    if discs:
        places = [f"X{nanometres(each.x_mm)}Y{nanometres(each.y_mm)}D03*\n" for each, _ in discs]
        yield (f"D{round_number}*\n" + "".join(places)).encode("ascii")
    if kind.bit == LEGEND:
        yield from _texts(panel, side)
    yield b"M02*\n"


def _texts(panel: Panel, side: SideName) -> Iterator[bytes]:
    """Legend text: outer rings dark, then the holes in letters clear."""
    areas = [area for text in panel.marks.texts if text.side == side for area in text.areas]
    for area in areas:
        yield _region(area[0])
    holes = [ring for area in areas for ring in area[1:]]
    if holes:
        yield b"%LPC*%\n"
        yield b"".join(map(_region, holes))


def _region(ring: Points) -> bytes:
    points = [*ring.tolist(), ring[0].tolist()]
    lines = [f"X{x}Y{y}D0{1 if i else 2}*\n" for i, (x, y) in enumerate(points)]
    return ("G36*\n" + "".join(lines) + "G37*\n").encode("ascii")
