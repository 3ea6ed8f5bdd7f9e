"""READ ME FIRST of a panel: what to order, how it is held and cut, what was checked, and what to leave alone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from worker.engine.panel.checks import PanelCheck
from worker.engine.panel.panel_files import Panel
from worker.engine.panel.panel_proof import PanelProof
from worker.engine.report.cautions import cautions_for
from worker.engine.report.order_facts import (
    WIDE,
    both_units,
    caution_lines,
    check_sums,
    file_facts,
    numbered,
    origin_text,
    plating_text,
    section,
    wrapped,
)
from worker.fab_profile import FabProfile
from worker.job_settings import Settings

PLEASE = (
    (
        "Do not clip, shift, thicken or thin the legend, delete narrow webs or slivers of solder mask, merge or "
        "enlarge openings, or widen or fill copper: the pieces are pictures, drawn to your limits."
    ),
    "Do not mirror, scale, turn or move single pieces or layers: all files share one origin.",
    "Do not add balancing copper, a logo, a date code or an order number on a piece; the rails are free for them.",
    "Do not move, add or drop tabs or scores without asking: they stand where the art allows them.",
)
_JOINS = {
    "tabs": "delivered as one panel: pieces hang on breakaway tabs with perforations",
    "scores": "delivered as one panel: pieces are scored on both faces (V-cut), not cut through",
    "loose": "every piece is routed free: deliver the single pieces",
}


def panel_cautions(panel: Panel) -> list[Mapping[str, Any]]:
    """Those of all pieces, and those that breaking pieces out of a panel calls for."""
    worked = Settings(includes=("tabs",)) if panel.file.join != "loose" else Settings()
    found: dict[str, Mapping[str, Any]] = {
        caution.id: {
            "id": caution.id,
            "text": caution.text,
            "because": caution.because.replace("includes: tabs", "pieces are broken out of the panel"),
            "source": caution.source,
        }
        for caution in cautions_for(panel.fab, worked)
    }
    for piece in panel.laid.placed:
        for caution in piece.piece.cautions:
            found.setdefault(str(caution["id"]), caution)
    return list(found.values())


def panel_sheet(panel: Panel, checks: Sequence[PanelCheck], files: Mapping[str, bytes], proof: PanelProof) -> str:
    """The text, its lines ended as every system shows them. `files` : by name, all that lies beside this sheet."""
    title = f"READ ME FIRST - panel {panel.file.name}"
    broken = [check.sentence for check in checks if not check.ok]
    lines = [
        title,
        "=" * min(WIDE, len(title)),
        "",
        *wrapped(
            "This panel carries boards that are pictures: the artwork is made of copper, solder mask openings, legend "
            "and bare laminate. Please make it as drawn, and ask before you change anything."
        ),
        *section("What to order", _facts(panel)),
        *section("Please leave as drawn", numbered(PLEASE)),
        *section("What is on it", _pieces(panel)),
        *section("Known to you, or to be asked", [line for text in broken for line in wrapped(text, "- ", "  ")]),
        *section("Files", list(file_facts(files))),
        *section("Proof", wrapped(proof.text(len(panel.laid.placed)))),
        *section("Cautions", caution_lines([str(caution["text"]) for caution in panel_cautions(panel)])),
        *section("Check sums (SHA-256)", list(check_sums(files))),
        "",
        *wrapped(origin_text(panel.fab, panel.project)),
    ]
    return "\r\n".join(lines) + "\r\n"


def _facts(panel: Panel) -> list[str]:
    fab: FabProfile = panel.fab
    width, height = panel.size_mm
    tabbed = panel.cut.tabbed
    bare = Counter(hole.diameter_mm for hole in panel.holes if not hole.plated)
    plated = Counter(hole.diameter_mm for hole in panel.holes if hole.plated)
    rows = [
        ("Panel", f"{both_units(width)} x {both_units(height)}"),
        ("Pieces", str(len(panel.laid.placed))),
        ("Delivered", _JOINS[panel.file.join]),
        ("Thickness", both_units(float(fab.stack_up["thickness_mm"]))),
        ("Laminate", str(fab.stack_up["substrate"])),
        ("Copper layers", f"{len(panel.sides)}, as the files have them"),
        ("Copper", f"{float(fab.stack_up['copper_um']):g} um on outer layers, finished"),
        ("Plating", plating_text(fab)),
        ("Solder mask", str(fab.stack_up["solder_mask"])),
        ("Legend", str(fab.stack_up["legend"])),
    ]
    if tabbed is not None:
        holes = f"{len(tabbed.holes)} bare holes of {tabbed.hole_mm:g} mm at {tabbed.pitch_mm:g} mm"
        rows.append(("Tabs", f"{len(tabbed.tabs)} of {panel.file.tabs.width:g} mm, perforated by {holes}"))
    if panel.cut.scores:
        at = [f"{'x' if score.upright else 'y'} = {score.at_mm:g}" for score in panel.cut.scores]
        rows.append(("Scored", f"straight across the whole panel along {', '.join(at)} mm, from both faces (V-cut)"))
    for name, counts in (("Plated holes", plated), ("Bare holes", bare)):
        if counts:
            rows.append((name, ", ".join(f"{n} of {size:g} mm" for size, n in sorted(counts.items()))))
    return [line for name, text in rows for line in wrapped(text, f"{name + ':':<22}", " " * 22)]


def _pieces(panel: Panel) -> list[str]:
    """Which numbers are which piece."""
    numbers: dict[str, list[int]] = {}
    for one in panel.laid.placed:
        numbers.setdefault(one.piece.name, []).append(one.number)
    return [line for name, listed in numbers.items() for line in wrapped(f"{name}: {_ranges(listed)}", "- ", "  ")]


def _ranges(numbers: Sequence[int]) -> str:
    out: list[str] = []
    first = last = numbers[0]
    for number in [*numbers[1:], None]:
        if number is not None and number == last + 1:
            last = number
            continue
        out.append(str(first) if first == last else f"{first}-{last}")
        if number is not None:
            first = last = number
    return ", ".join(out)
