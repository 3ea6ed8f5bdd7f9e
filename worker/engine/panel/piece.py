"""A piece for a panel, as its own fabrication files have it: what is laid on the panel is what they say, nothing else.

Outline and holes are read by a reader that we did not write (`gerber_reader`), in whole nanometres.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from shapely.geometry import Polygon

from worker.engine.fabrication.board import ring_area
from worker.engine.fabrication.gerber_reader import ReadHole, read_drill, read_gerber
from worker.engine.fabrication.grid import NM_PER_MM, Points
from worker.engine.fabrication.layer_files import (
    BARE_FILE,
    LAYER_KINDS,
    PLATED_FILE,
    PROFILE_FILE,
    SideName,
)
from worker.engine.fabrication.read_outline import closed_lines
from worker.errors import PanelError
from worker.panel_file import check_alone

FABRICATION = "fabrication/"
REPORT = "report.json"
_SIDES: tuple[SideName, ...] = ("top", "bottom")


@dataclass(frozen=True, slots=True, kw_only=True)
class FreePlace:
    """A box on a piece where no layer but mask and copper lies: its middle, in mm, seen from the top."""

    side: SideName
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """A piece.

    layers : bytes of each layer's file by its name, such as "copper-top.gbr". rings : int64 (n, 2) nm, the outline
    first, then cut-outs. outline : the same in mm, filled. art : the sides
    with artwork. free : where a number may stand. source : what error messages call it.
    """

    name: str
    source: str
    fab: str
    revision: str
    layers: Mapping[str, bytes]
    rings: tuple[Points, ...]
    outline: Polygon
    holes: tuple[tuple[ReadHole, bool], ...]
    pitch_um: float
    art: tuple[SideName, ...]
    free: FreePlace | None
    cautions: tuple[Mapping[str, Any], ...]

    @property
    def sides(self) -> tuple[SideName, ...]:
        """Those that it has layers for."""
        return tuple(side for side in _SIDES if f"{LAYER_KINDS[0].name}-{side}.gbr" in self.layers)

    @property
    def area_mm2(self) -> float:
        """Of the filled outline."""
        return float(self.outline.area)


def read_piece(files: Mapping[str, bytes], *, source: str) -> Piece:
    """A piece from a result's files by path: report.json and what lies in fabrication/.

    Raises
    ------
    PanelError
        It has no fabrication files, or is no result of Maskwright. `source` is how the message names it.
    ReturnedFileError, ProofError
        One of its files can't be read.
    """
    made = {path.removeprefix(FABRICATION): data for path, data in files.items() if path.startswith(FABRICATION)}
    check_alone(files, source=source)
    if REPORT not in files or PROFILE_FILE not in made:
        missing = REPORT if REPORT not in files else FABRICATION + PROFILE_FILE
        raise PanelError(
            f"{source} has no {missing}.",
            mend="Give the result of one board, made with fabrication = on: a panel is made of fabrication files.",
        )
    report = _report(files[REPORT], source)
    side = report if "sides" not in report else _report(files.get(f"top/{REPORT}", b""), f"{source}, top")
    layers = {
        f"{kind.name}-{side}.gbr": made[f"{kind.name}-{side}.gbr"]
        for side in _SIDES
        for kind in LAYER_KINDS
        if f"{kind.name}-{side}.gbr" in made
    }
    rings = _rings(made[PROFILE_FILE], source)
    return Piece(
        name=str(side["artwork"]["name"]),
        source=source,
        fab=str(report["fab"]["id"]),
        revision=str(report["fab"]["revision"]),
        layers=layers,
        rings=rings,
        outline=Polygon(rings[0] / NM_PER_MM),
        holes=tuple(
            (hole, plated)
            for path, plated in ((PLATED_FILE, True), (BARE_FILE, False))
            if path in made
            for hole in read_drill(made[path], name=path).holes
        ),
        pitch_um=float(side["grid"]["pitch_um"]),
        art=_SIDES if "sides" in report else (cast(SideName, side["side"]),),
        free=_free((side.get("fabrication") or {}).get("number_place")),
        cautions=tuple(report.get("cautions", ())),
    )


def _report(data: bytes, source: str) -> dict[str, Any]:
    try:
        report = json.loads(data)
        known = isinstance(report, dict) and {"id", "revision"} <= set(report["fab"])
    except (ValueError, RecursionError, KeyError, TypeError):
        known = False
    if not known:
        raise PanelError(f"{source} has a {REPORT} that is not Maskwright's.", mend="Give a result as it was written.")
    return cast(dict[str, Any], report)


def _free(place: Mapping[str, Any] | None) -> FreePlace | None:
    return None if place is None else FreePlace(**place)


def _rings(profile: bytes, source: str) -> tuple[Points, ...]:
    lines = closed_lines(read_gerber(profile, name=f"{source}: {PROFILE_FILE}"))
    rings = sorted((np.array(line, np.int64) for line in lines), key=lambda ring: -abs(ring_area(ring / NM_PER_MM)))
    if not rings:
        raise PanelError(f"{source} has a profile without a line.", mend="Convert its artwork again.")
    return tuple(rings)
