"""What of a result's report stands in its job's row, in lists and in the report of a collection."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def summary_of(report: Mapping[str, Any]) -> dict[str, Any]:
    """The summary of a board of one side or of two, by the content of its report.json."""
    return _of_two_sides(report) if "sides" in report else _of_one_side(report)


def _of_one_side(report: Mapping[str, Any]) -> dict[str, Any]:
    """What of a report stands in the job's row: size, finishes in use, score, warnings."""
    board = report["board"]  # not the grid, which is larger where an outline is narrower than its artwork
    return {
        "width_mm": board["width_mm"],
        "height_mm": board["height_mm"],
        "finishes": [
            {"id": finish["id"], "share": finish["share"]} for finish in report["finishes"] if finish["share"] > 0
        ],
        "score": report["score"],
        "cautions": len(report["cautions"]),
        "warnings": report["warnings"],
    }


def _of_two_sides(report: Mapping[str, Any]) -> dict[str, Any]:
    """The same of a two-sided piece: its score and finishes are those of the top, and `sides` has them of both."""
    sides = [{key: side[key] for key in ("side", "finishes", "score")} for side in report["sides"]]
    return {
        "width_mm": report["board"]["width_mm"],
        "height_mm": report["board"]["height_mm"],
        "finishes": sides[0]["finishes"],
        "score": sides[0]["score"],
        "sides": sides,
        "cautions": len(report["cautions"]),
        "warnings": report["warnings"],
    }
