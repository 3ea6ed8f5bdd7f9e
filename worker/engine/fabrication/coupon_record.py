"""What a coupon's folder says in words: coupon.json tells what is where, how_to_use.txt what to do with it."""

from __future__ import annotations

from typing import Any

from worker.engine.fabrication.coupon import PATCH_MM, SURROUND_MM, Coupon
from worker.engine.fabrication.layer_tests import BAR_MM, STEP_MM
from worker.engine.fabrication.shapes import Feature, Grid

SCHEMA_VERSION = 1


def coupon_record(coupon: Coupon) -> dict[str, Any]:
    """Everything on the coupon and where it is, ready for JSON. Lengths in mm, x right and y down from the upper left.

    `nominal_mm` is what was asked for, `drawn_mm` what it is on the grid: upright widths are whole pixels there.
    """
    width, height = coupon.size_mm
    grid = Grid(pitch_mm=coupon.pitch_um / 1000.0)
    return {
        "schema_version": SCHEMA_VERSION,
        "fab": coupon.fab.id,
        "revision": coupon.fab.revision,
        "units": "mm",
        "seen_from": "top",
        "pitch_um": coupon.pitch_um,
        "board": {"width": width, "height": height},
        "sides": coupon.fab.stack_up["sides"],
        "background": coupon.fab.background,
        "lettering": coupon.writing,
        "finishes": [finish.id for finish in coupon.fab.finishes],
        "patches": len(coupon.patch_map.patches),
        "features": [_feature_item(feature, grid) for feature in coupon.features],
        "left_out": [{"what": entry.what, "why": entry.why} for entry in coupon.left_out],
    }


def _feature_item(feature: Feature, grid: Grid) -> dict[str, Any]:
    upright = feature.direction in ("x", "y") and feature.kind in ("line", "hatch")
    place = feature.place
    item: dict[str, Any] = {
        "kind": feature.kind,
        "finish": feature.finish,
        "in": feature.field,
        "layer": feature.layer,
        "limit": feature.limit,
        "limit_mm": feature.limit_mm,
        "direction": feature.direction,
        "nominal_mm": round(feature.nominal_mm, 6),
        "drawn_mm": round(grid.length(feature.nominal_mm) if upright else feature.nominal_mm, 6),
        "x": round(place.x, 6),
        "y": round(place.y, 6),
        "width": round(place.width, 6),
        "height": round(place.height, 6),
        "note": feature.note,
    }
    return {key: value for key, value in item.items() if value not in ("", 0.0) or key in ("x", "y")}


def coupon_notes(coupon: Coupon) -> str:
    """Plain text: what to order, what to tell the fab, how to measure and how to photograph."""
    width, height = coupon.size_mm
    fab = coupon.fab
    finishes = "\n".join(f"  {i}  {finish.id}: {finish.name}" for i, finish in enumerate(fab.finishes, start=1))
    far = _FAR if coupon.far_copper is not None else _ONE_SIDED
    missing = "".join(f"\n  {entry.what}: {entry.why}" for entry in coupon.left_out)
    return _NOTES.format(
        fab=fab.id,
        revision=fab.revision,
        width=width,
        height=height,
        width_in=width / 25.4,
        height_in=height / 25.4,
        name=fab.name,
        thickness=fab.stack_up["thickness_mm"],
        copper=fab.stack_up["copper_um"],
        plating=fab.plating,
        finishes=finishes,
        far=far,
        solid=_solid_legend(coupon),
        surround=SURROUND_MM,
        bar=BAR_MM,
        step=STEP_MM,
        missing=f"\nNot on this coupon:{missing}\n" if missing else "",
    )


_FAR = """\
Patches whose caption ends in F stand over copper on the far side, the others over none. far_copper.png shows that
copper, seen from the top, through the board: mirror it for a view from below."""
_ONE_SIDED = "The profile says one side, so nothing stands on the far side."


def _solid_legend(coupon: Coupon) -> str:
    """What to ask the fab where its limit of solid legend is smaller than a patch."""
    limit = coupon.fab.limits.get(("legend", "solid_area_mm2"))
    area = PATCH_MM**2
    if limit is None or limit.value >= area:
        return ""
    return f"\nLegend patches are solid, {area:g} mm2 each, over your limit of {limit.value:g} mm2: please print them."


_NOTES = """\
COUPON OF {fab}, REVISION {revision}

{width:g} x {height:g} mm ({width_in:.3f} x {height_in:.3f} in), seen from the top.
Order it as the profile says: {name}; {thickness:g} mm thick, {copper:g} um copper, plating {plating}.

Finishes, by the numbers in the captions:
{finishes}

{far}

FOR THE FAB
Send the ZIP in fabrication/: layers, profile, job file and READ ME FIRST, which says all of this.
This is a test board with no circuit. Lines, gaps, dots, holes and hatches run from half of your limits to three times
each, and some finishes stand side by side that the limits keep apart: all of that is on purpose. Please make it as
drawn: don't remove, widen, clip or fill what is below a limit, and print no number on it.{solid}

READING IT
Lines and gaps: the narrowest that is there along its whole length is what the fab makes. Widths are measured along x,
along y and across 45 degrees; coupon.json lists each.
Combs: the first scale, above or to the left, is copper, 1.000 mm from bar to bar; the second is solder mask or legend,
0.975 mm. Bars are {bar} mm wide. The pair that is in line tells how far the second layer is shifted: each bar right of
the long middle one is {step:.3f} mm to the right, each bar left of it {step:.3f} mm to the left. On combs marked Y,
right is down and left is up.
Scale: 50 mm from the middle of the first tick to that of the last.
{missing}
WITH AN INSTRUMENT
Read every repeat of a patch, in its middle, and note the geometry. Bare laminate lets light through: say what lay
behind it. Three boards tell more than one.

WITH A CAMERA
Lay the coupon flat on a plain grey or white matte card, so that a ring of card at least {surround:g} mm wide is seen on
all sides, and a 24-patch colour chart beside it on the same card, outside that ring. Two lights at 45 degrees, the
camera straight above, everything in focus; the same exposure and white balance throughout; raw or the least processed
format; nothing clipped, no glare. Take one picture with crossed polarisers if you have them, for mask, legend and
laminate, and one in a diffuse tent without them, for bare metal: one picture alone makes gold look brown.
patch_map.json tells where the patches are. The ring in the upper left corner marks which way up it lies.

CARE
Cutting, snapping and sanding boards makes glass dust: do it wet or with extraction, with mask and goggles. Corners cut.
It is no toy and nothing to wear. Not safety or legal advice; local codes and licensed practice decide.
"""
