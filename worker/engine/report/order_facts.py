"""What every sheet for a fab says of a board, in plain text: what to order, what each file is, and its check sum."""

from __future__ import annotations

import hashlib
import textwrap
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from worker.engine.fabrication.board import BoardShape, Hole
from worker.engine.fabrication.file_attributes import Project
from worker.engine.fabrication.layer_files import (
    BARE_FILE,
    DXF_FILE,
    JOB_FILE,
    LAYER_KINDS,
    PLATED_FILE,
    PROFILE_FILE,
    SCORE_FILE,
    SVG_FILE,
    VCUT,
    SideName,
)
from worker.engine.fabrication.planes import COPPER, LEGEND, OPENING, LayerPlanes
from worker.engine.report.cautions import DEFERRAL
from worker.engine.report.circuit_notes import CircuitNotes
from worker.fab_profile import FabProfile
from worker.job_settings import MM_PER_INCH

ORDER_SHEET = "READ ME FIRST.txt"
INSPECTION_SHEET = "inspection-sheet.html"
BROKEN_LIMITS: dict[SideName, str] = {"top": "limits-broken-top.png", "bottom": "limits-broken-bottom.png"}
WORST_SHIFT: dict[SideName, str] = {"top": "worst-shift-top.png", "bottom": "worst-shift-bottom.png"}
Planes = Mapping[SideName, LayerPlanes]
"""Of each side, as seen from outside it."""
WIDE = 78
_UM_PER_OUNCE = 35.0  # 1 oz/ft2, as fabs round it
_SIDES: tuple[SideName, ...] = ("top", "bottom")
_KINDS = {
    "rectangle": "a rectangle",
    "disc": "a disc",
    "silhouette": "a shape of its own",
    "path": "a shape of its own",
    "board file": "a shape of its own",
    "circuit": "that of the circuit's own profile",
}
_MEANING = {
    **{f"copper-{side}.gbr": f"copper, {side} side (art: no electrical function)" for side in _SIDES},
    **{f"solder-mask-{side}.gbr": f"solder mask, {side} side: drawn are its OPENINGS" for side in _SIDES},
    **{f"legend-{side}.gbr": f"legend, {side} side" for side in _SIDES},
    PROFILE_FILE: "board outline and cut-outs: route along the middle of the line",
    SCORE_FILE: "lines to score (V-cut), the same on both faces: the middle of the line counts",
    PLATED_FILE: "plated holes and slots, finished diameters",
    BARE_FILE: "unplated holes and slots, finished diameters",
    JOB_FILE: "Gerber job file: the same facts for your program",
    INSPECTION_SHEET: "what the boards are checked for when they arrive (to print)",
    "looks-like-top.png": "picture of the top side as it should look",
    **{name: f"places on the {side} that break a limit of yours, in red" for side, name in BROKEN_LIMITS.items()},
    "panel.png": "picture of the panel with its scores, tabs and the numbers of the pieces",
    "looks-like-bottom.png": "picture of the bottom side as it should look, seen from below",
}

LEFT_BESIDE = (SVG_FILE, DXF_FILE)
"""Files that a fab's program might take for layers: they lie beside the package, not in it."""


def both_units(mm: float, digits: int = 2) -> str:
    """A length in mm and in inch."""
    return f"{mm:.{digits}f} mm ({mm / MM_PER_INCH:.{digits + 1}f} in)"


def order_facts(fab: FabProfile, shape: BoardShape, planes: Planes, copper_layers: int | None = None) -> list[str]:
    """What to order. `planes` : of each side that the files have; `shape` from either side. `copper_layers` : of a
    circuit, which may have more of them inside."""
    width, height = shape.size_mm
    thickness, copper = float(fab.stack_up["thickness_mm"]), float(fab.stack_up["copper_um"])
    rows = [
        ("Size", f"{width:.2f} x {height:.2f} mm ({width / MM_PER_INCH:.3f} x {height / MM_PER_INCH:.3f} in)"),
        ("Thickness", both_units(thickness)),
        ("Laminate", str(fab.stack_up["substrate"])),
        ("Copper layers", layers_text(planes) if copper_layers is None else f"{copper_layers}, as the files have them"),
        ("Copper", f"{copper:g} um ({copper / _UM_PER_OUNCE:.2g} oz/ft2) on outer layers, finished"),
        ("Plating", plating_text(fab)),
        *_colours(fab, planes),
        ("Holes", _holes(shape)),
        ("Outline", _outline(shape)),
        *([("Scored", score_text(shape))] if shape.scores else []),
        ("Delivered", "as single boards; how they lie in your panel is up to you"),
    ]
    return [line for name, text in rows for line in wrapped(text, f"{name + ':':<22}", " " * 22)]


def layers_text(planes: Planes) -> str:
    """How many copper layers, and which."""
    sides = [side for side in _SIDES if side in planes and planes[side].has(COPPER)]
    if not sides:
        return "no copper is left on either side"
    made = f"{len(planes)}, as the files have them"
    return made + ("" if len(sides) == len(planes) else f"; copper is left on the {sides[0]} only")


def score_text(shape: BoardShape) -> str:
    """Which lines are scored, from the files' origin; `shape` as seen from the top."""
    lines = " and ".join(f"{'x' if score.upright else 'y'} = {both_units(score.at_mm)}" for score in shape.scores)
    return f"along {lines}, straight across, from both faces (V-cut); see {SCORE_FILE}. No layer is drawn near them."


def plating_text(fab: FabProfile) -> str:
    """The plating to order."""
    lead = " The plating must hold no lead." if fab.lead_free else ""
    return f"{fab.plating} on all bare copper.{lead}" if fab.plating != "none" else "none: copper stays bare"


def _colours(fab: FabProfile, planes_of_sides: Planes) -> Iterator[tuple[str, str]]:
    """Solder mask and legend of each side: no layer is mentioned that draws nothing."""
    for side in _SIDES:
        planes = planes_of_sides.get(side)
        if planes is None:
            yield f"{side.capitalize()} side", "no copper, no solder mask, no legend: bare laminate"
            continue
        mask = f"{fab.stack_up['solder_mask']}"
        yield f"Mask, {side}", mask if planes.has(OPENING) else f"{mask}, no openings"
        yield f"Legend, {side}", str(fab.stack_up["legend"]) if planes.has(LEGEND) else "none"


def _holes(shape: BoardShape) -> str:
    holes = shape.holes
    if not holes:
        return "none"
    kinds = [
        _counted([hole for hole in holes if hole.plated == plated and (hole.slot_to is not None) == slot], kind)
        for plated, name in ((True, "plated"), (False, "unplated"))
        for slot, kind in ((False, f"{name} hole"), (True, f"{name} slot"))
    ]
    return "; ".join(kind for kind in kinds if kind) + " (finished sizes)"


def _counted(holes: Sequence[Hole], kind: str) -> str:
    """Such as "3 plated holes: 2 of 1 mm, 1 of 0.8 mm"."""
    if not holes:
        return ""
    sizes = Counter(hole.diameter_mm for hole in holes)
    listed = ", ".join(f"{count} of {size:g} mm" for size, count in sorted(sizes.items()))
    return f"{len(holes)} {kind}{'s' if len(holes) > 1 else ''}: {listed}"


def _outline(shape: BoardShape) -> str:
    cut_outs = len(shape.outline) - 1
    inside = "" if not cut_outs else f", with {cut_outs} cut-out{'s' if cut_outs > 1 else ''}"
    routed = "routed" if not shape.scores else "routed where it is not scored"
    return f"{routed}, {_KINDS[shape.kind]}{inside}; no tab or nib where it would show, if you can"


def file_facts(files: Mapping[str, bytes], circuit: CircuitNotes | None = None) -> Iterator[str]:
    """What each file is, by name, with its Gerber file function."""
    functions = {f"{kind.name}-{side}.gbr": kind.function(side) for kind in LAYER_KINDS for side in _SIDES}
    functions |= {SCORE_FILE: VCUT}
    functions |= {PROFILE_FILE: "Profile,NP", PLATED_FILE: "Plated,1,2,PTH", BARE_FILE: "NonPlated,1,2,NPTH"}
    meanings = _MEANING
    if circuit is not None:
        functions, meanings = {**functions, **circuit.functions}, {**meanings, **circuit.meanings}
    wide = max((len(name) for name in files), default=0) + 2
    for name in files:
        said = meanings.get(name, "")
        function = f" [{functions[name]}]" if name in functions else ""
        empty = "; empty on purpose" if name.endswith(".gbr") and _is_empty(files[name]) else ""
        yield from wrapped(said + empty + function, f"{name:<{wide}}", " " * wide)
    written = "Gerber X2, mm, 4.6 digits; XNC drill files in mm"
    if circuit is not None:
        written = "Each file keeps the unit and the format that the circuit's own file has"
    yield from wrapped(
        f"{written}; all seen from the top, with one origin. Where a name and the .FileFunction in the file disagree, "
        "the attribute counts."
    )


def _is_empty(gerber: bytes) -> bool:
    """Whether nothing is drawn in it."""
    return b"D01*" not in gerber and b"D03*" not in gerber


def check_sums(files: Mapping[str, bytes]) -> Iterator[str]:
    """SHA-256 of each file."""
    for name, data in files.items():
        yield name
        yield f"  {hashlib.sha256(data).hexdigest()}"


def wrapped(text: str, first: str = "", following: str = "") -> list[str]:
    """Lines of at most WIDE signs."""
    return textwrap.wrap(
        text, WIDE, initial_indent=first, subsequent_indent=following, break_long_words=False, break_on_hyphens=False
    )


def section(title: str, lines: Sequence[str]) -> list[str]:
    """A title and its lines; nothing where there are none."""
    return ["", title, "-" * len(title), *lines] if lines else []


def numbered(texts: Sequence[str]) -> list[str]:
    """Texts with their numbers."""
    return [line for i, text in enumerate(texts, 1) for line in wrapped(text, f"{i}. ", "   ")]


def caution_lines(texts: Sequence[str]) -> list[str]:
    """All of them, and once what each of them ends in."""
    lines = [line for text in texts for line in wrapped(text.removesuffix(DEFERRAL).rstrip(), "- ", "  ")]
    return [*lines, *wrapped(DEFERRAL)] if lines else []


def origin_text(fab: FabProfile, project: Project) -> str:
    """What made the files, and from what."""
    return (
        f"Made by Maskwright {project.version} from fab profile {fab.id}, revision {fab.revision}. "
        f"Project {project.guid}."
    )
