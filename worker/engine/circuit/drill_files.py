"""A circuit's drill files: XNC, of plated holes, of others or of both; or Gerber, whose circles are the holes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from worker.circuit_file import MIXED, Role
from worker.engine.circuit.circuit import LARGEST_MM, CircuitDrill, SaidBy
from worker.engine.fabrication.gerber_reader import ReadDrill, ReadHole, graphic_objects, read_drill
from worker.engine.fabrication.returned_files import is_drill
from worker.errors import CircuitError, ReturnedFileError


def circuit_drills(path: str, data: bytes, role: Role, said_by: SaidBy, *, text: bytes) -> list[CircuitDrill]:
    """The holes of a drill file; of one that mixes them the plated ones and the others apart. CircuitError.

    `text` : the file as a reader understands it.
    """
    if not role.drilled:
        raise CircuitError(
            f"{path} is a drill file, so it can't be {role.function}.",
            mend="Say Plated,1,2,PTH, NonPlated,1,2,NPTH or MixedPlating,1,2.",
        )
    try:
        drill = read_drill(text, name=path) if is_drill(data) else _from_gerber(path, text)
    except ReturnedFileError as error:
        raise CircuitError(error.what, mend=error.mend) from error
    for hole in drill.holes:
        ends = (hole.x_mm, hole.y_mm, *(hole.slot_to or ()))
        if not np.isfinite(ends).all() or max(map(abs, ends)) > 10 * LARGEST_MM or not 0 < hole.diameter_mm < 100:
            raise CircuitError(
                f"{path} drills {hole.diameter_mm:g} mm at {hole.x_mm:g}, {hole.y_mm:g} mm.",
                mend="It has lost its unit or format: write it anew.",
            )
    if role.kind != MIXED:
        return [CircuitDrill(name=path, data=data, role=role, said_by=said_by, drill=drill)]
    return list(_apart(path, data, role, said_by, drill))


def _apart(path: str, data: bytes, role: Role, said_by: SaidBy, drill: ReadDrill) -> Iterator[CircuitDrill]:
    for hole in drill.holes:
        if hole.plated is None:
            raise CircuitError(
                f"{path} holds plated and unplated holes, and nothing says which the {hole.diameter_mm:g} mm hole at "
                f"{hole.x_mm:g}, {hole.y_mm:g} mm is.",
                mend="Write plated and unplated holes to a file each, or an attribute before each tool: "
                "; #@! TA.AperFunction,Plated,PTH,ComponentDrill.",
            )
    first, last = role.function.split(",")[1:3]
    for plated, function in ((True, f"Plated,{first},{last},PTH"), (False, f"NonPlated,{first},{last},NPTH")):
        holes = tuple(hole for hole in drill.holes if hole.plated == plated)
        if holes:
            yield CircuitDrill(
                name=path,
                data=data,
                role=Role(function=function),
                said_by=said_by,
                drill=replace(drill, function=function, holes=holes, remarks=drill.remarks if plated else ()),
            )


def _from_gerber(path: str, data: bytes) -> ReadDrill:
    """Drill data as a Gerber file: flashes of circles are holes, strokes with them slots."""
    objects = graphic_objects(data, name=path, marked=True)
    return ReadDrill(name=path, function="", holes=tuple(_hole(path, thing) for thing in objects), remarks=())


def _hole(path: str, thing: object) -> ReadHole:
    from gerbonara.apertures import CircleAperture
    from gerbonara.graphic_objects import Flash, Line
    from gerbonara.utils import MM

    drawn = thing.converted(MM)  # type: ignore[attr-defined]
    tool: Any = getattr(drawn, "aperture", None)
    round_one = isinstance(tool, CircleAperture) and not tool.hole_dia and bool(drawn.polarity_dark)
    if not round_one or not isinstance(drawn, Flash | Line):
        (left, low), (right, high) = drawn.bounding_box(MM)
        raise CircuitError(
            f"{path} draws something that is neither a hole nor a straight slot near {(left + right) / 2:.3f}, "
            f"{(low + high) / 2:.3f} mm ({type(drawn).__name__.lower()}).",
            mend="Holes are flashes of circles, and slots strokes with a circle: write it so, or as an XNC file.",
        )
    kind = (getattr(tool, "attrs", None) or {}).get(".AperFunction", ("",))[0]
    diameter = float(tool.equivalent_width(MM))
    plated = {"Plated": True, "NonPlated": False}.get(kind)
    if isinstance(drawn, Flash):
        return ReadHole(x_mm=drawn.x, y_mm=drawn.y, diameter_mm=diameter, slot_to=None, plated=plated)
    end = (drawn.x2, drawn.y2)
    return ReadHole(x_mm=drawn.x1, y_mm=drawn.y1, diameter_mm=diameter, slot_to=end, plated=plated)
