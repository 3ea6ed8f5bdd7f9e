"""The report of a piece with artwork on both sides: what the reports of its two sides don't say each for itself.

Every field is described in piece_schema.json, which `piece_schema` reads.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Any

from worker.engine.fabrication.far_copper import Settlement
from worker.engine.report.fabrication_block import settled_report
from worker.engine.report.views import THROUGH_LIGHT_MEANING

SCHEMA_VERSION = 1

FROM_BEHIND_MEANING = "The bottom as it is seen from outside, in the finishes' colours, as its layers show it."
MASKS_MEANING = (
    "On {area:.1f} mm2 finishes of the two sides ask each other for copper, or none, that the other can't have. The "
    "masks show each side by itself; settled says what the layers make of it."
)


def build_piece_report(
    reports: Mapping[str, Mapping[str, Any]],
    settlements: Sequence[Settlement],
    *,
    views: tuple[str, str],
    warnings: Sequence[str],
) -> dict[str, Any]:
    """The content of report.json of a two-sided piece, but for `fabrication` and `stages`.

    Parameters
    ----------
    reports : of each side, as `build_report` gives them. views : paths of the views from behind and against the light.
    warnings : of the board; those of its sides come before them.
    """
    front = reports["top"]
    said = [f"{side}: {text}" for side, report in reports.items() for text in report["warnings"]]
    unlike = sum(settlement.area_mm2 for settlement in settlements)
    return {
        "schema_version": SCHEMA_VERSION,
        "fab": front["fab"],
        "settings": front["settings"],
        "board": {key: front["board"][key] for key in ("shape", "width_mm", "height_mm", "area_mm2")},
        "sides": [_side(side, report) for side, report in reports.items()],
        "settled": settled_report(settlements),
        "views": [
            {"path": views[0], "meaning": FROM_BEHIND_MEANING},
            {"path": views[1], "meaning": THROUGH_LIGHT_MEANING},
        ],
        "cautions": front["cautions"],
        "warnings": [*said, *([MASKS_MEANING.format(area=unlike)] if unlike else []), *warnings],
    }


def piece_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of a two-sided piece's report.json."""
    text = files("worker.engine.report").joinpath("piece_schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def _side(side: str, report: Mapping[str, Any]) -> dict[str, Any]:
    score = report["score"]
    return {
        "side": side,
        "artwork": report["artwork"]["name"],
        "report": f"{side}/report.json",
        "finishes": [
            {"id": finish["id"], "share": finish["share"]} for finish in report["finishes"] if finish["share"] > 0
        ],
        "score": {key: score[key] for key in ("viewing_distance_mm", "ciede2000", "s_cielab")},
    }
