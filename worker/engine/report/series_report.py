"""report.json of a series: its pieces in order, and how still they stand against one another.

Every field is described in series_schema.json, which `series_schema` reads.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from worker.engine.separation.continuity import Flicker
from worker.errors import MaskwrightError

SCHEMA_VERSION = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceEntry:
    """What the report tells of a piece. folder : where its files lie. report : its own; or error : why it has none."""

    name: str
    milliseconds: int
    folder: str = ""
    report: Mapping[str, Any] | None = None
    flicker: Flicker | None = None
    error: MaskwrightError | None = None


def flicker_block(flicker: Flicker) -> dict[str, Any]:
    """How still one piece stands, or several together."""
    return {
        "unchanged_px": flicker.unchanged,
        "flickering_px": flicker.flickering,
        "share": flicker.share,
        "beside_changes_px": flicker.beside,
        "lagging_px": flicker.lagging,
    }


def flicker_sum(flickers: Sequence[Flicker]) -> Flicker:
    """Of all pieces together."""
    return Flicker(
        unchanged=sum(one.unchanged for one in flickers),
        flickering=sum(one.flickering for one in flickers),
        beside=sum(one.beside for one in flickers),
        lagging=sum(one.lagging for one in flickers),
    )


def build_series_report(
    pieces: Sequence[PieceEntry],
    *,
    name: str,
    fab: Mapping[str, Any],
    settings: Mapping[str, Any],
    shared: Mapping[str, Any],
    animations: Sequence[str],
) -> dict[str, Any]:
    """The report.

    Parameters
    ----------
    fab, settings : as in the report of a piece. shared : what was decided for all. animations : paths of the previews.
    """
    flickers = [piece.flicker for piece in pieces if piece.flicker is not None]
    return {
        "schema_version": SCHEMA_VERSION,
        "name": name,
        "fab": dict(fab),
        "settings": dict(settings),
        "shared": dict(shared),
        "stillness": {
            **flicker_block(flicker_sum(flickers)),
            "largest_share": max((one.share for one in flickers), default=0.0),
        },
        "pieces": [_entry(number, piece) for number, piece in enumerate(pieces, 1)],
        "animations": list(animations),
    }


def _entry(number: int, piece: PieceEntry) -> dict[str, Any]:
    report, error = piece.report, piece.error
    return {
        "number": number,
        "name": piece.name,
        "folder": piece.folder if report is not None else None,
        "milliseconds": piece.milliseconds,
        "s_cielab_mean": None if report is None else report["score"]["s_cielab"]["mean"],
        "stillness": None if piece.flicker is None else flicker_block(piece.flicker),
        "error": None if error is None else {"code": error.code, "what": error.what, "mend": error.mend},
    }


def series_schema() -> dict[str, Any]:
    """The JSON Schema of the report."""
    text = files("worker.engine.report").joinpath("series_schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema
