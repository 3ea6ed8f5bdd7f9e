"""The inspection sheet: one page to print and tick when the boards arrive. Self-contained HTML, no script, no link.

It is for a person with a calliper, a loupe and a flat table. Limits come from the fab profile where it has them; what
it has not is common practice, and says so.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from worker.engine.colorimetry import lab_to_srgb
from worker.engine.fabrication.fabricate import Fabrication
from worker.engine.fabrication.file_attributes import Project
from worker.engine.fabrication.layer_files import SideName
from worker.engine.fabrication.number_place import NumberPlace
from worker.engine.fabrication.planes import LEGEND, OPENING
from worker.engine.palette.values import count_values
from worker.engine.references.reference import FinishReference
from worker.engine.report.order_facts import both_units
from worker.fab_profile import FabProfile
from worker.finish import LayerRecipe

BOARDS = 5
"""Columns of boxes to tick: boards looked at."""

ROUTED_MM = 0.2
"""Tolerance of a routed outline: published fab pages have 0.1 to 0.25 mm."""
SCORED_MM = 0.2
"""Tolerance of a score's place: published fab pages have 0.15 to 0.2 mm."""
FLAT_PERCENT = 1.5
"""Bow and twist of a board without surface-mounted parts: IPC-6012 (0.75 % with such parts)."""
NIB_MM = 0.2  # common practice, no source
_FAB = "from the fab profile"
_USUAL = "usual; the fab's own figure counts"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One line to tick: what, how to look, and the limit with its source."""

    what: str
    how: str
    limit: str
    source: str


def thickness_tolerance_mm(thickness_mm: float) -> float:
    """Of the finished board: +/-10 % from 1.6 mm on, 0.13 mm from 1.0 mm on, else 0.08 mm (a published fab page)."""
    if thickness_mm >= 1.6:
        return 0.1 * thickness_mm
    return 0.13 if thickness_mm >= 1.0 else 0.08


def bow_mm(side_mm: float, percent: float = FLAT_PERCENT) -> float:
    """The gap under the middle of a bowed side: bow % = 100 h / L (IPC-TM-650, method 2.4.22)."""
    return percent / 100.0 * side_mm


def twist_mm(width_mm: float, height_mm: float, percent: float = FLAT_PERCENT) -> float:
    """The gap under one corner while the opposite is held down: twist % = 100 h / (2 diagonals) (from memory)."""
    return percent / 100.0 * 2.0 * math.hypot(width_mm, height_mm)


def inspection_sheet(
    fabrication: Fabrication,
    project: Project,
    references: Sequence[FinishReference],
    *,
    pictures: Mapping[SideName, bytes],
    place: NumberPlace | None,
    threads: int = 1,
) -> str:
    """The page as HTML.

    Parameters
    ----------
    references : of each finish of the profile, in its order.
    pictures : PNG of each side with artwork, as it should look from outside.
    place : where the fab may have put its number.
    """
    fab = fabrication.fab
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>Inspection sheet: '
        f"{escape(project.name)}</title>\n<style>{_STYLE}</style></head><body>\n"
        f"<h1>Inspection sheet: {escape(project.name)}</h1>\n"
        f"<p>{escape(fab.name)}. Fab profile {escape(fab.id)}, revision {escape(fab.revision)}.</p>\n"
        f"{_FIELDS}\n"
        f'<div class="top"><div class="{_LEFT[len(pictures)]}">{_figures(fabrication, pictures)}</div>\n'
        f'<div class="right">{_colours(fabrication, references, threads)}</div></div>\n'
        f"{_checks(list(checks(fabrication, place)))}\n"
        "<p>Tick what is right; write the figure where it is not. Keep one board of each order as it came, in the "
        "dark.</p>\n</body></html>\n"
    )


def _figures(fabrication: Fabrication, pictures: Mapping[SideName, bytes]) -> str:
    width, height = fabrication.shape.size_mm
    return "".join(
        f'<figure><img alt="how the {side} should look" '
        f'src="data:image/png;base64,{base64.b64encode(picture).decode("ascii")}">'
        f"<figcaption>{side} side as it should look: {both_units(width)} wide, {both_units(height)} high"
        "</figcaption></figure>"
        for side, picture in pictures.items()
    )


def checks(fabrication: Fabrication, place: NumberPlace | None) -> Iterator[Check]:
    """What to look at, in the order in which boards are unpacked."""
    fab = fabrication.fab
    width, height = fabrication.shape.size_mm
    thickness = float(fab.stack_up["thickness_mm"])
    yield Check(what="Count", how="count the boards; none scratched or chipped", limit="as ordered", source="order")
    for name, size in (("Width", width), ("Height", height)):
        limit = f"{size:.2f} &plusmn; {ROUTED_MM:.2f} mm ({size / 25.4:.3f} in)"
        yield Check(what=name, how="calliper, without nibs", limit=limit, source=_USUAL)
    tolerance = thickness_tolerance_mm(thickness)
    yield Check(
        what="Thickness",
        how="calliper, at three places",
        limit=f"{thickness:.2f} &plusmn; {tolerance:.2f} mm ({thickness / 25.4:.3f} in)",
        source=_USUAL,
    )
    yield Check(
        what="Bow",
        how="curved side down on a flat plate, feeler gauge under the middle of the longer side",
        limit=f"at most {bow_mm(max(width, height)):.2f} mm ({FLAT_PERCENT:g} %)",
        source="IPC-6012, without surface-mounted parts",
    )
    yield Check(
        what="Twist",
        how="one corner held down, feeler gauge under the opposite one",
        limit=f"at most {twist_mm(width, height):.2f} mm ({FLAT_PERCENT:g} %)",
        source="IPC-6012, without surface-mounted parts",
    )
    yield Check(
        what="Picture",
        how="beside the picture above, at arm's length",
        limit="nothing missing, nothing added, not mirrored",
        source="order",
    )
    yield from _registration(fabrication)
    yield Check(
        what="Solder mask",
        how="tilted under a lamp",
        limit="even; no skips, pinholes or scratches that show at arm's length",
        source=_USUAL,
    )
    if any(planes.has(OPENING) for planes in fabrication.planes.values()):
        yield Check(
            what="Bare metal",
            how="loupe",
            limit=f"{escape(fab.plating)}, even; no stains, no bare copper, no bridges between parts"
            if fab.plating != "none"
            else "even; no stains, no bridges between parts",
            source=_USUAL,
        )
    yield Check(
        what="Peel",
        how="press clear tape on mask and legend, pull it off at once, on one board",
        limit="nothing comes off",
        source="IPC-TM-650, method 2.4.1 (from memory)",
    )
    yield _holes(fabrication)
    if fabrication.shape.scores:
        yield Check(
            what="Score",
            how="loupe at the board's edge, both faces",
            limit=f"as drawn &plusmn; {SCORED_MM:.2f} mm, straight; the web left in the middle breaks clean",
            source=_USUAL,
        )
    yield Check(
        what="Edge",
        how="by eye and with a finger, carefully: edges cut",
        limit=f"no nib over {NIB_MM:g} mm, none on a point; no loose fibres (sand wet, mask and goggles)",
        source=_USUAL,
    )
    where = (
        "none on the board"
        if place is None
        else f"none, or {place.side} side round x {place.x_mm:.1f}, y {place.y_mm:.1f} mm"
    )
    yield Check(what="Order number", how="look for it", limit=where, source="order")


def _registration(fabrication: Fabrication) -> Iterator[Check]:
    """How far layers may be off, of those layers that there are."""
    fab = fabrication.fab
    art = [side.made.planes for side in fabrication.sides.values()]
    if any(planes.has(OPENING) for planes in art):
        yield Check(
            what="Mask on copper",
            how="loupe with a scale: openings against copper edges, at two far corners",
            limit=f"off by {_mm(fab, 'solder_mask', 'registration_mm')} at most",
            source=_stated(fab, "solder_mask", "registration_mm"),
        )
    if any(planes.has(LEGEND) for planes in art):
        yield Check(
            what="Legend on copper",
            how="loupe with a scale, at two far corners; nothing printed on bare metal",
            limit=f"off by {_mm(fab, 'legend', 'registration_mm')} at most",
            source=_stated(fab, "legend", "registration_mm"),
        )


def _holes(fabrication: Fabrication) -> Check:
    holes = fabrication.shape.holes
    plated = sum(hole.plated for hole in holes)
    limit = "none" if not holes else f"{len(holes)}, of which {plated} are plated and open"
    return Check(what="Holes and slots", how="count them", limit=limit, source="order")


def _mm(fab: FabProfile, section: str, key: str) -> str:
    return f"{fab.limits[section, key].value:g} mm"


def _stated(fab: FabProfile, section: str, key: str) -> str:
    return _FAB if fab.limits[section, key].stated else _USUAL


def _checks(listed: Sequence[Check]) -> str:
    boxes = '<td class="box">&#9744;</td>' * BOARDS
    numbers = "".join(f"<th>{i}</th>" for i in range(1, BOARDS + 1))
    rows = "".join(
        f"<tr><td><b>{check.what}</b></td><td>{check.how}</td><td>{check.limit} <small>({check.source})</small></td>"
        f"{boxes}</tr>\n"
        for check in listed
    )
    return (
        f'<table class="checks"><thead><tr><th>What</th><th>How</th><th>Limit</th>{numbers}</tr></thead>\n'
        f"<tbody>{rows}</tbody></table>"
    )


def _colours(fabrication: Fabrication, references: Sequence[FinishReference], threads: int) -> str:
    """The finishes that are on the board, with the colour that is expected and how sure that is."""
    shown = sum(count_values(side.seen, threads=threads) for side in fabrication.sides.values())
    assert isinstance(shown, np.ndarray)
    rows = "".join(
        _colour(finish.name, finish.recipe, reference)
        for i, (finish, reference) in enumerate(zip(fabrication.fab.finishes, references, strict=True))
        if shown[i]
    )
    return (
        "<table><thead><tr><th></th><th>Finish</th><th>L* a* b* expected<br><small>D65, 2&deg;"
        "</small></th><th>Sure to<br><small>CIEDE2000</small></th><th>Read L* a* b*</th></tr></thead>\n"
        f"<tbody>{rows}</tbody></table>\n<p><small>Under daylight or a D65 lamp. No standard sets a limit for a "
        "board's colour: agree one with the fab. What is expected may itself be off by so much in 95 of 100 cases."
        "</small></p>"
    )


def _colour(name: str, recipe: LayerRecipe, reference: FinishReference) -> str:
    swatch = "#{:02X}{:02X}{:02X}".format(*lab_to_srgb(reference.lab).tolist())
    lab = " &nbsp;".join(f"{value:.1f}" for value in reference.lab)
    grade = "set by hand" if reference.overridden else reference.grade
    return (
        f'<tr><td class="swatch" style="background:{swatch}"></td>'
        f"<td>{escape(name)}<br><small>{_layers(recipe)}</small></td>"
        f"<td>{lab}</td><td>&plusmn; {reference.uncertainty:.1f}<br><small>{grade}</small></td>"
        '<td class="write"></td></tr>\n'
    )


def _layers(recipe: LayerRecipe) -> str:
    """What lies on what, from the top."""
    copper = {"none": "laminate", "solid": "copper", "hatch": "hatched copper", "either": "copper or laminate"}
    ground = copper[recipe.copper]
    if recipe.mask_opening:
        ground = {"none": "bare laminate"}.get(recipe.copper, f"bare metal ({ground})")
        return f"legend on {ground}" if recipe.legend else ground
    return ("legend on " if recipe.legend else "") + f"mask over {ground}"


_FIELDS = (
    '<table class="fields"><tr><td>Order no.</td><td>Date code, batch</td><td>Boards ordered / received</td>'
    "<td>Checked by</td><td>Date</td></tr></table>"
)
_LEFT = {1: "left", 2: "left two"}
"""Classes of the column of pictures, by how many there are."""
_STYLE = (
    "@page{margin:9mm}"
    "body{font:8.5pt/1.2 sans-serif;color:#000;background:#fff;max-width:190mm;margin:0 auto}"
    "h1{font-size:14pt;margin:0 0 .5mm}p{margin:.5mm 0 1.5mm}small{color:#444;font-size:7pt}"
    "table{border-collapse:collapse;width:100%}th,td{border:.25mm solid #888;padding:.45mm 1mm;text-align:left;"
    "vertical-align:top}th{background:#eee}"
    ".fields td{height:9mm;width:20%;font-size:7pt;color:#444}"
    ".top{display:flex;gap:3mm;margin:2mm 0;align-items:flex-start}.left{flex:0 0 58mm}figure{margin:0 0 1mm}"
    "figure img{width:100%;max-height:64mm;object-fit:contain;border:.2mm solid #888}figcaption{font-size:7pt}"
    ".two img{max-height:36mm}.right{flex:1 1 0;min-width:0}.swatch{width:9mm}.write{width:26mm}"
    ".checks{table-layout:fixed}.checks th:nth-child(1){width:22mm}.checks th:nth-child(2){width:66mm}"
    ".checks th:nth-child(n+4){width:4.5mm}.checks td.box{font-size:12pt;line-height:1;text-align:center;padding:0}"
    "tr{page-break-inside:avoid}"
    "*{-webkit-print-color-adjust:exact;print-color-adjust:exact}"
)
