"""Every fabrication file of a board, from the planes of its sides and its shape.

Names say layer and side in words. Each side is traced once, and all of its layers draw the same arcs; the bottom is
drawn as seen from the top, as Gerber wants it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from worker.engine.fabrication.board import BoardShape
from worker.engine.fabrication.contours import Contours, trace
from worker.engine.fabrication.copper_hatch import cut_hatches
from worker.engine.fabrication.drawing_dxf import assembly_dxf
from worker.engine.fabrication.drawing_svg import DrawnLayer, assembly_svg
from worker.engine.fabrication.drill import xnc_drill
from worker.engine.fabrication.file_attributes import Polarity, Project
from worker.engine.fabrication.gerber import gerber_layer, gerber_profile, gerber_scores
from worker.engine.fabrication.grid import points_nm, seen_from_the_top
from worker.engine.fabrication.job_file import LayerFile, gerber_job
from worker.engine.fabrication.planes import COPPER, LEGEND, OPENING, LayerPlanes
from worker.engine.fabrication.rings import Rings, layer_rings
from worker.engine.fabrication.simplify import FINE_PX, simplify
from worker.fab_profile import FabProfile

SideName = Literal["top", "bottom"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerKind:
    """A fabrication layer of either side: its name in words, what it draws, and what Gerber calls it."""

    name: str
    bit: int
    functions: tuple[str, str]
    polarity: Polarity
    aperture_function: str | None

    def function(self, side: SideName) -> str:
        """Value of .FileFunction."""
        return self.functions[side == "bottom"]


LAYER_KINDS = (
    LayerKind(
        name="copper",
        bit=COPPER,
        functions=("Copper,L1,Top", "Copper,L2,Bot"),
        polarity="Positive",
        aperture_function="NonConductor",
    ),
    LayerKind(
        name="solder-mask",
        bit=OPENING,
        functions=("Soldermask,Top", "Soldermask,Bot"),
        polarity="Negative",
        aperture_function=None,
    ),
    LayerKind(
        name="legend",
        bit=LEGEND,
        functions=("Legend,Top", "Legend,Bot"),
        polarity="Positive",
        aperture_function=None,
    ),
)
VCUT = "Vcut"
"""File function of the scores' file, the same on both faces (Gerber Layer Format Specification, from memory)."""
SCORE_FILE = "score-lines.gbr"
PROFILE_FILE, JOB_FILE = "profile.gbr", "board.gbrjob"
PLATED_FILE, BARE_FILE = "holes-plated.xnc", "holes-unplated.xnc"
SVG_FILE, DXF_FILE = "assembly.svg", "assembly.dxf"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TracedSide:
    """A side as its files draw it, seen from the top: the planes with hatch lines cut, and their contours."""

    planes: LayerPlanes
    contours: Contours


def traced_sides(
    sides: Mapping[SideName, LayerPlanes], fab: FabProfile, *, threads: int = 1
) -> dict[SideName, TracedSide]:
    """Every side traced once, simplified so far that no pixel's centre changes sides.

    `sides` : planes seen from outside their side, on one grid.
    """
    traced: dict[SideName, TracedSide] = {}
    for side, planes in sides.items():
        cut = cut_hatches(planes, fab, threads=threads)
        top = seen_from_the_top(cut) if side == "bottom" else cut
        contours = simplify(trace(top, threads=threads), FINE_PX, threads=threads)
        traced[side] = TracedSide(planes=top, contours=contours)
    return traced


def layer_files(
    sides: Mapping[SideName, TracedSide], shape: BoardShape, fab: FabProfile, project: Project
) -> Iterator[tuple[str, bytes]]:
    """Name and bytes of every file: layers, profile, drills, job file, assembly drawings.

    `shape` : as seen from the top.
    """
    drawn: list[DrawnLayer] = []
    listed: list[LayerFile] = []
    for side, traced in sides.items():
        for kind in LAYER_KINDS:
            rings = layer_rings(traced.contours, kind.bit)
            name = f"{kind.name}-{side}"
            yield f"{name}.gbr", _layer(rings, kind, side, project)
            drawn.append(DrawnLayer(name=name, rings=rings))
            listed.append(LayerFile(path=f"{name}.gbr", function=kind.function(side), polarity=kind.polarity))
    outlines = [points_nm(ring) for ring in shape.outline]
    yield PROFILE_FILE, gerber_profile(outlines, project=project)
    listed.append(LayerFile(path=PROFILE_FILE, function="Profile,NP", polarity="Positive"))
    scores = [points_nm(np.array(shape.across(score))) for score in shape.scores]
    if scores:
        yield SCORE_FILE, gerber_scores(scores, function=VCUT, project=project)
        listed.append(LayerFile(path=SCORE_FILE, function=VCUT, polarity="Positive"))
    for name, plated in ((PLATED_FILE, True), (BARE_FILE, False)):
        drill = xnc_drill(shape.holes, plated=plated, project=project)
        if drill is not None:
            yield name, drill
    width, height = (round(side * 1e6) for side in shape.size_mm)
    yield JOB_FILE, gerber_job(listed, fab, project=project, width_nm=width, height_nm=height)
    grid = next(iter(sides.values())).contours.grid
    yield SVG_FILE, b"".join(assembly_svg(drawn, outlines, shape.holes, scores, grid=grid, title=project.name))
    yield DXF_FILE, b"".join(assembly_dxf(drawn, outlines, shape.holes, scores, grid=grid))


def _layer(rings: Rings, kind: LayerKind, side: SideName, project: Project) -> bytes:
    pieces = gerber_layer(
        rings,
        function=kind.function(side),
        polarity=kind.polarity,
        project=project,
        aperture_function=kind.aperture_function,
    )
    return b"".join(pieces)
