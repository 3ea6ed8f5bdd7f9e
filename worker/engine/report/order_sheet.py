"""READ ME FIRST: what a fab must know to make the board as it is drawn, and what it must please leave alone.

Plain text of at most 78 signs a line, in the trade's words. Sizes in mm and inch.
"""

from __future__ import annotations

import hashlib
import textwrap
from collections.abc import Iterator, Mapping, Sequence

from worker.engine.fabrication.fabricate import Fabrication
from worker.engine.fabrication.file_attributes import Project
from worker.engine.fabrication.layer_files import (
    BARE_FILE,
    DXF_FILE,
    JOB_FILE,
    LAYER_KINDS,
    PLATED_FILE,
    PROFILE_FILE,
    SVG_FILE,
    SideName,
)
from worker.engine.fabrication.number_place import NumberPlace
from worker.engine.fabrication.planes import COPPER, LEGEND, OPENING
from worker.engine.report.cautions import DEFERRAL
from worker.fab_profile import FabProfile
from worker.job_settings import MM_PER_INCH

ORDER_SHEET = "READ ME FIRST.txt"
INSPECTION_SHEET = "inspection-sheet.html"
_WIDE = 78
_UM_PER_OUNCE = 35.0  # 1 oz/ft2, as fabs round it
_SIDES: tuple[SideName, ...] = ("top", "bottom")
_MEANING = {
    **{f"copper-{side}.gbr": f"copper, {side} side (art: no electrical function)" for side in _SIDES},
    **{f"solder-mask-{side}.gbr": f"solder mask, {side} side: drawn are its OPENINGS" for side in _SIDES},
    **{f"legend-{side}.gbr": f"legend, {side} side" for side in _SIDES},
    PROFILE_FILE: "board outline and cut-outs: route along the middle of the line",
    PLATED_FILE: "plated holes and slots, finished diameters",
    BARE_FILE: "unplated holes and slots, finished diameters",
    JOB_FILE: "Gerber job file: the same facts for your program",
    INSPECTION_SHEET: "what the boards are checked for when they arrive (to print)",
    "looks-like-top.png": "picture of the top side as it should look",
    "looks-like-bottom.png": "picture of the bottom side as it should look, seen from below",
}

PLEASE = (
    (
        "Do not clip, shift, thicken or thin the legend: it is part of a picture. It is already kept clear of "
        "every opening by the distance that you state."
    ),
    ("Do not delete narrow webs or slivers of solder mask, and do not merge openings: each was drawn to your limit."),
    (
        "Do not enlarge or shrink mask openings against the copper: openings without copper, and copper that the "
        "mask covers in part, are meant."
    ),
    ("Do not widen lines, fill gaps, remove loose copper, or add balancing copper on either side inside the outline."),
    "Do not mirror, scale, turn or move single layers: all files share one origin.",
    "Do not add a logo, a date code, a recycling mark or an order number except where this sheet says.",
    "Do not fill, round or smooth the outline beyond what your bit needs.",
)
"""What a fab's engineer is likely to do to such a board (common practice, no source), and is asked not to."""


def order_sheet(
    fabrication: Fabrication,
    project: Project,
    files: Mapping[str, bytes],
    *,
    place: NumberPlace | None,
    cautions: Sequence[str] = (),
) -> str:
    """The text, its lines ended as every system shows them.

    Parameters
    ----------
    files : by name, all that lies beside this sheet in the package.
    place : where the fab may put its number; None where there is none.
    cautions : texts of those that apply to this job.
    """
    lines = [
        f"READ ME FIRST - {project.name}",
        "=" * min(_WIDE, 16 + len(project.name)),
        "",
        *_wrapped(
            "This board is a picture: the artwork is made of copper, solder mask openings, legend and bare laminate. "
            "It is meant to be made exactly as drawn. Please ask before you change anything."
        ),
        *_section("What to order", _order(fabrication)),
        *_section("Please leave as drawn", _numbered(PLEASE)),
        *_section("Your order number", _number(place)),
        *_section("Known to you, left on purpose", list(_left(fabrication))),
        *_section("Files", list(_files(files))),
        *_section("Cautions", _cautions(cautions)),
        *_section("Check sums (SHA-256)", list(_sums(files))),
        "",
        *_wrapped(
            f"Made by Maskwright {project.version} from fab profile {fabrication.fab.id}, revision "
            f"{fabrication.fab.revision}. Project {project.guid}."
        ),
    ]
    return "\r\n".join(lines) + "\r\n"


def _wrapped(text: str, first: str = "", following: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDE, initial_indent=first, subsequent_indent=following, break_long_words=False)


def _section(title: str, lines: Sequence[str]) -> list[str]:
    return ["", title, "-" * len(title), *lines] if lines else []


def _numbered(texts: Sequence[str]) -> list[str]:
    return [line for i, text in enumerate(texts, 1) for line in _wrapped(text, f"{i}. ", "   ")]


def _cautions(texts: Sequence[str]) -> list[str]:
    """All of them, and once what each of them ends in."""
    lines = [line for text in texts for line in _wrapped(text.removesuffix(DEFERRAL).rstrip(), "- ", "  ")]
    return [*lines, *_wrapped(DEFERRAL)] if lines else []


def both_units(mm: float, digits: int = 2) -> str:
    """A length in mm and in inch."""
    return f"{mm:.{digits}f} mm ({mm / MM_PER_INCH:.{digits + 1}f} in)"


def _order(fabrication: Fabrication) -> list[str]:
    fab = fabrication.fab
    width, height = fabrication.shape.size_mm
    thickness, copper = float(fab.stack_up["thickness_mm"]), float(fab.stack_up["copper_um"])
    rows = [
        ("Size", f"{width:.2f} x {height:.2f} mm ({width / MM_PER_INCH:.3f} x {height / MM_PER_INCH:.3f} in)"),
        ("Thickness", both_units(thickness)),
        ("Laminate", str(fab.stack_up["substrate"])),
        ("Layers", layers_text(fabrication)),
        ("Copper", f"{copper:g} um ({copper / _UM_PER_OUNCE:.2g} oz/ft2), outer layers"),
        ("Plating", _plating(fab)),
        *_colours(fabrication),
        ("Holes", _holes(fabrication)),
        ("Outline", _outline(fabrication)),
    ]
    return [line for name, text in rows for line in _wrapped(text, f"{name + ':':<22}", " " * 22)]


def layers_text(fabrication: Fabrication) -> str:
    """How many copper layers, and which."""
    sides = [side for side in _SIDES if side in fabrication.planes and fabrication.planes[side].plane(COPPER).any()]
    if not sides:
        return "no copper is left on either side"
    made = f"{len(fabrication.planes)}, as the files have them"
    return made + ("" if len(sides) == len(fabrication.planes) else f"; copper is left on the {sides[0]} only")


def _plating(fab: FabProfile) -> str:
    lead = " The plating must hold no lead." if fab.lead_free else ""
    return f"{fab.plating} on all bare copper.{lead}" if fab.plating != "none" else "none: copper stays bare"


def _colours(fabrication: Fabrication) -> Iterator[tuple[str, str]]:
    """Solder mask and legend of each side: no layer is mentioned that draws nothing."""
    fab = fabrication.fab
    for side in _SIDES:
        planes = fabrication.planes.get(side)
        if planes is None:
            yield f"{side.capitalize()} side", "no copper, no solder mask, no legend: bare laminate"
            continue
        mask = f"{fab.stack_up['solder_mask']}"
        yield f"Mask, {side}", mask if planes.plane(OPENING).any() else f"{mask}, no openings"
        yield f"Legend, {side}", str(fab.stack_up["legend"]) if planes.plane(LEGEND).any() else "none"


def _holes(fabrication: Fabrication) -> str:
    holes = fabrication.shape.holes
    if not holes:
        return "none"
    slots = sum(hole.slot_to is not None for hole in holes)
    plated = sum(hole.plated for hole in holes)
    return f"{len(holes) - slots} round holes, {slots} slots; {plated} plated, {len(holes) - plated} unplated"


def _outline(fabrication: Fabrication) -> str:
    cut_outs = len(fabrication.shape.outline) - 1
    inside = "" if not cut_outs else f", with {cut_outs} cut-out{'s' if cut_outs > 1 else ''}"
    return f"routed, {fabrication.shape.kind}{inside}; no tab or nib where it would show, if you can"


def _number(place: NumberPlace | None) -> list[str]:
    if place is None:
        return _wrapped(
            "There is no free place for it: please put no number on this board, or put it on the rail of the panel."
        )
    along = "along y" if place.upright else "along x"
    return _wrapped(
        f"If you must add one, please put it here and nowhere else: {place.side} side, in legend, centred at x "
        f"{both_units(place.x_mm)}, y {both_units(place.y_mm)} (from the files' origin, the lower left corner, seen "
        f"from the top), inside {place.width_mm:g} x {place.height_mm:g} mm, text {along}. Better still, on the rail."
    )


def _left(fabrication: Fabrication) -> Iterator[str]:
    """What a checking program will find, and the fab should not be surprised by."""
    parts = fabrication.parts
    islands = {side: found.islands for side, found in parts.items() if found.islands}
    if islands:
        where = " and ".join(f"{count} on the {side}" for side, count in islands.items())
        yield from _wrapped(f"Copper parts with no net ({where}): they are the picture.", "- ", "  ")
    yield from _wrapped("Solder mask openings over bare laminate, and copper under mask, are the picture.", "- ", "  ")
    left = fabrication.art.left.total
    if left:
        yield from _wrapped(
            f"{left} places are finer than the limits that we have from you; report.json lists them. Make them as "
            "well as you can.",
            "- ",
            "  ",
        )
    balance = fabrication.balance
    if balance.caution:
        yield from _wrapped(
            f"Copper is uneven: {100 * balance.top:.0f} % of the {fabrication.side} side, {100 * balance.bottom:.0f} % "
            "of the other. Tell us before you make the boards if you expect more bow or twist than IPC-6012 allows.",
            "- ",
            "  ",
        )


def _files(files: Mapping[str, bytes]) -> Iterator[str]:
    functions = {f"{kind.name}-{side}.gbr": kind.function(side) for kind in LAYER_KINDS for side in _SIDES}
    functions |= {PROFILE_FILE: "Profile,NP", PLATED_FILE: "Plated,1,2,PTH", BARE_FILE: "NonPlated,1,2,NPTH"}
    wide = max((len(name) for name in files), default=0) + 2
    for name in files:
        said = _MEANING.get(name, "")
        function = f" [{functions[name]}]" if name in functions else ""
        empty = "; empty on purpose" if name.endswith(".gbr") and _is_empty(files[name]) else ""
        yield from _wrapped(said + empty + function, f"{name:<{wide}}", " " * wide)
    yield from _wrapped(
        "Gerber X2, mm, 4.6 digits; XNC drill files in mm; all seen from the top, with one origin. Where a name and "
        "the .FileFunction in the file disagree, the attribute counts."
    )


def _is_empty(gerber: bytes) -> bool:
    """Whether nothing is drawn in it."""
    return b"D01*" not in gerber and b"D03*" not in gerber


def _sums(files: Mapping[str, bytes]) -> Iterator[str]:
    for name, data in files.items():
        yield name
        yield f"  {hashlib.sha256(data).hexdigest()}"


LEFT_BESIDE = (SVG_FILE, DXF_FILE)
"""Files that a fab's program might take for layers: they lie beside the package, not in it."""
