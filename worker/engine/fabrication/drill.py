"""Drill and rout files: XNC, Ucamco's subset of the Excellon language, one file for plated and one for bare holes.

Millimetres with a decimal point, absolute, one tool for each diameter. A slot is routed: down at one end with a tool as
wide as the slot, in a straight line to the other, up again. What a file is for stands in comments, as Gerber X2 has it
in attributes. (Commands and comments from memory of the XNC specification.)
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from worker.engine.fabrication.digits import mm_text
from worker.engine.fabrication.file_attributes import Project, file_attributes
from worker.engine.fabrication.grid import nanometres
from worker.errors import SettingsError

PLATED, NON_PLATED = "Plated,1,2,PTH", "NonPlated,1,2,NPTH"


class DrilledHole(Protocol):
    """A round hole, or a slot to the second point, in mm from the grid's lower left."""

    @property
    def x_mm(self) -> float: ...
    @property
    def y_mm(self) -> float: ...
    @property
    def diameter_mm(self) -> float: ...
    @property
    def plated(self) -> bool: ...
    @property
    def slot_to(self) -> tuple[float, float] | None: ...


def xnc_drill(holes: Sequence[DrilledHole], *, plated: bool, project: Project) -> bytes | None:
    """The file of all plated or of all bare holes and slots; None where there are none.

    Tools rise with their diameter; holes keep their order, slots follow them. SettingsError for a hole of no width.
    """
    chosen = [hole for hole in holes if hole.plated == plated]
    if not chosen:
        return None
    diameters = sorted({_diameter_nm(hole) for hole in chosen})
    lines = ["M48"]
    function = PLATED if plated else NON_PLATED
    lines += ["; #@! TF." + ",".join(row) for row in file_attributes(project, function, None)]
    lines.append("METRIC")
    for tool, diameter in enumerate(diameters, start=1):
        use = "Plated,PTH" if plated else "NonPlated,NPTH"
        lines += [f"; #@! TA.AperFunction,{use},MechanicalDrill", f"T{tool:02d}C{_decimal(diameter)}"]
    lines.append("%")
    for tool, diameter in enumerate(diameters, start=1):
        mine = [hole for hole in chosen if _diameter_nm(hole) == diameter]
        lines += ["G05", f"T{tool:02d}"]
        lines += [_place(hole.x_mm, hole.y_mm) for hole in mine if hole.slot_to is None]
        for hole in mine:
            if hole.slot_to is not None:
                lines += [f"G00{_place(hole.x_mm, hole.y_mm)}", "M15", f"G01{_place(*hole.slot_to)}", "M16"]
    return ("\n".join([*lines, "M30"]) + "\n").encode("ascii")


def _diameter_nm(hole: DrilledHole) -> int:
    diameter = nanometres(hole.diameter_mm)
    if diameter <= 0:
        raise SettingsError(
            f"The hole at {hole.x_mm:g}, {hole.y_mm:g} mm is {hole.diameter_mm:g} mm wide.",
            mend="Give every hole a diameter above 0.",
        )
    return diameter


def _place(x_mm: float, y_mm: float) -> str:
    return f"X{_decimal(nanometres(x_mm))}Y{_decimal(nanometres(y_mm))}"


def _decimal(nm: int) -> str:
    """mm with a decimal point always: without one, a number would be read by the old format's digits."""
    text = mm_text(nm)
    return text if "." in text else text + ".0"
