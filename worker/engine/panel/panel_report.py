"""What report.json says of a panel: what lies where, how full it is, which limits hold, what was proved."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from importlib.resources import files as package_data
from typing import Any

from worker.engine.panel.checks import PanelCheck
from worker.engine.panel.laying import Laid
from worker.engine.panel.panel_files import Panel
from worker.engine.panel.panel_proof import PanelProof
from worker.engine.panel.panel_sheet import panel_cautions
from worker.engine.panel.piece import FABRICATION
from worker.engine.report.fabrication_block import FUNCTIONS

SCHEMA_VERSION = 1


def panel_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of a panel's report.json."""
    text = package_data("worker.engine.report").joinpath("panel_schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def panel_report(
    panel: Panel,
    checks: Sequence[PanelCheck],
    made: Mapping[str, bytes],
    proof: PanelProof,
    warnings: Sequence[str],
) -> dict[str, Any]:
    """The content of report.json. `made` : what lies in fabrication/, by name; the ZIP is not among it."""
    laid, cut, marks = panel.laid, panel.cut, panel.marks
    width, height = panel.size_mm
    return {
        "schema_version": SCHEMA_VERSION,
        "panel": {
            "name": panel.file.name,
            "file": panel.file.file_name,
            "sha256": panel.file.sha256,
            "width_mm": width,
            "height_mm": height,
            "area_mm2": float(laid.board.area),
            "join": panel.file.join,
            "spacing_mm": panel.file.spacing,
            "rails_mm": {side: getattr(panel.file.rails, side) for side in ("left", "right", "top", "bottom")},
        },
        "fab": {
            "id": panel.fab.id,
            "revision": panel.fab.revision,
            "fab": panel.fab.fab,
            "name": panel.fab.name,
            "plating": panel.fab.plating,
            "lead_free": panel.fab.lead_free,
        },
        "counts": {"pieces": len(laid.placed), "by_piece": _by_piece(panel)},
        "density": _density(laid),
        "pieces": [
            {
                "number": one.number,
                "piece": one.piece.source,
                "name": one.piece.name,
                "turn": 90 * one.move.turn,
                "x_mm": one.move.x_nm / 1e6,
                "y_mm": one.move.y_nm / 1e6,
                "box_mm": [float(edge) for edge in one.outline.bounds],
                "numbered": any(text.number == one.number for text in marks.texts),
                "tabs": len(cut.tabbed.of(i)) if cut.tabbed else 0,
            }
            for i, one in enumerate(laid.placed)
        ],
        "tabs": None
        if cut.tabbed is None
        else {
            "count": len(cut.tabbed.tabs),
            "width_mm": panel.file.tabs.width,
            "perforations": len(cut.tabbed.holes),
            "hole_mm": cut.tabbed.hole_mm,
            "pitch_mm": cut.tabbed.pitch_mm,
            "line": "outside" if panel.file.tabs.outside else "edge",
        },
        "scores": [{"x_mm" if score.upright else "y_mm": score.at_mm} for score in cut.scores],
        "fiducials": [
            {"x_mm": one.x_mm, "y_mm": one.y_mm, "diameter_mm": one.diameter_mm, "opening_mm": one.opening_mm}
            for one in marks.fiducials
        ],
        "tooling_holes": [
            {"x_mm": one.x_mm, "y_mm": one.y_mm, "diameter_mm": one.diameter_mm} for one in marks.tooling
        ],
        "checks": [
            {
                "id": check.id,
                "text": check.text,
                "found": check.found,
                "limit": check.limit,
                "least": check.least,
                "ok": check.ok,
                "source": check.source,
            }
            for check in checks
        ],
        "proof": {
            "reader": proof.reader,
            "renderer": proof.renderer,
            "whole": proof.whole,
            "objects": proof.objects,
            "sampled": list(proof.sampled),
            "compared_px": proof.compared_px,
            "undecided_px": proof.undecided_px,
            "text": proof.text(len(laid.placed)),
            "files": [
                {"path": FABRICATION + one.path, "function": one.function, "objects": one.objects}
                for one in proof.files
            ],
        },
        "files": [
            {
                "path": name if name == "panel.png" else FABRICATION + name,
                "function": FUNCTIONS.get(name),
                "bytes": len(data),
                "sha256": hashlib.sha256(data).hexdigest(),
            }
            for name, data in made.items()
        ],
        "cautions": [
            {"id": caution["id"], "text": caution["text"], "because": caution["because"], "source": caution["source"]}
            for caution in panel_cautions(panel)
        ],
        "warnings": [*warnings, *_said(panel, checks)],
    }


def _by_piece(panel: Panel) -> list[dict[str, Any]]:
    counts = Counter(id(one.piece) for one in panel.laid.placed)
    pieces = {id(one.piece): one.piece for one in panel.laid.placed}
    return [
        {"piece": piece.source, "name": piece.name, "count": counts[key], "area_mm2": piece.area_mm2}
        for key, piece in pieces.items()
    ]


def _density(laid: Laid) -> dict[str, Any]:
    """How full the free area is, and how full it could be: of the panel, and of what was filled."""
    area = sum(one.piece.area_mm2 for one in laid.placed)
    out: dict[str, Any] = {
        "pieces_mm2": area,
        "free_mm2": float(laid.free.area),
        "share": area / float(laid.free.area),
        "filled": None,
    }
    if laid.filled is not None and laid.bound is not None and laid.fill_region is not None:
        bound = laid.bound
        out["filled"] = {
            "piece": laid.filled.piece.source,
            "count": laid.filled_count,
            "bound": bound.count,
            "bound_kind": bound.kind,
            "share_of_bound": laid.filled_count / bound.count if bound.count else 1.0,
            "area_mm2": float(laid.fill_region.area),
            "density": laid.filled_count * laid.filled.piece.area_mm2 / float(laid.fill_region.area),
            "endless_density": bound.density,
        }
    return out


def _said(panel: Panel, checks: Sequence[PanelCheck]) -> list[str]:
    said = [check.sentence for check in checks if not check.ok]
    unnumbered = panel.marks.unnumbered
    if unnumbered:
        listed = ", ".join(str(one.number) for one in unnumbered[:10]) + (" and more" if len(unnumbered) > 10 else "")
        said.append(
            f"{len(unnumbered)} of {len(panel.laid.placed)} pieces have no free place for their number on the side "
            f"that numbering.where names: {listed}. The picture and this report say which is which."
        )
    return said
