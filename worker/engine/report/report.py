"""The content of report.json: what was asked for, what was made of it, and how far it is from the artwork.

Every field is described in schema.json, which `report_schema` reads.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from importlib.resources import files
from typing import Any

from worker.engine.arrays import OUTSIDE
from worker.engine.artwork.picture import Artwork, GridPicture
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.fabrication.board import BoardShape
from worker.engine.fabrication.corner_angles import sharpest_corner
from worker.engine.palette.certainty import Certainty, NearTie, judge_certainty, near_ties
from worker.engine.palette.clusters import Cluster
from worker.engine.palette.values import count_values
from worker.engine.references.reference import FinishReference
from worker.engine.report.cautions import cautions_for
from worker.engine.report.score import Score, Statistics
from worker.engine.separation.result import Separation
from worker.fab_profile import FabProfile
from worker.finish import Finish
from worker.job_settings import Settings
from worker.reading import ViewingConditions

SCHEMA_VERSION = 1

CONTINUOUS_REFERENCE_MEANING = (
    "S-CIELAB of the artwork projected pixel by pixel onto the hull of the finishes: what an infinitely fine mixture "
    "of that projection would score. A reference, not a proven bound."
)

VIEWING_CONDITIONS_MEANING = (
    "The finishes' colours are computed for this light and observer. The artwork is sRGB, seen under D65 by the "
    "2 degree observer: there each finish is compared as its corresponding colour, by Bradford adaptation of the white."
)


def build_report(
    *,
    picture: GridPicture,
    shape: BoardShape,
    artwork: Artwork,
    fab: FabProfile,
    settings: Settings,
    separation: Separation,
    clusters: Sequence[Cluster],
    score: Score,
    references: Sequence[FinishReference],
    side: str,
    merged: Sequence[tuple[Cluster, Cluster, float]] = (),
    warnings: Sequence[str] = (),
    threads: int = 1,
) -> dict[str, Any]:
    """Build the content of report.json, but for `stages`.

    Parameters
    ----------
    references : sequence of FinishReference
        Of each finish of `fab`, in its order, as used for scoring.
    side : str
        top or bottom.
    merged : sequence of (Cluster, Cluster, float)
        Pairs of distinct art colours that go to one finish, with the CIEDE2000 between the two.
    warnings : sequence of str
        What the flow has to say beyond the warnings that the artwork, the picture and the separation carry.
    """
    uncertainties = {reference.finish: reference.uncertainty for reference in references}
    certainties = judge_certainty(clusters, uncertainties)
    said = [*artwork.warnings, *picture.warnings, *separation.warnings, *warnings]
    return {
        "schema_version": SCHEMA_VERSION,
        "artwork": _artwork(artwork),
        "side": side,
        "fab": {
            "id": fab.id,
            "revision": fab.revision,
            "fab": fab.fab,
            "name": fab.name,
            "plating": fab.plating,
            "lead_free": fab.lead_free,
        },
        "grid": {
            "pitch_um": float(picture.pitch_um),
            "width_px": picture.width_px,
            "height_px": picture.height_px,
            "width_mm": float(picture.width_mm),
            "height_mm": float(picture.height_mm),
            "artwork_px_per_px": float(picture.source_px_per_px),
        },
        "board": _board(shape),
        "settings": settings.as_text(),
        "edges": {
            "route": separation.edges,
            "reason": separation.reason,
            "cell_um": float(separation.cell_px * picture.pitch_um),
        },
        "viewing_conditions": _viewing_conditions(settings.viewing_conditions),
        "finishes": _finishes(fab, separation, references, picture.pitch_um, threads),
        "clusters": [_certain_cluster(certainty) for certainty in certainties],
        "pixels_by_cluster": [
            {
                "cluster": int(cluster.id),
                "pixels": {finish.id: int(count) for finish, count in zip(fab.finishes, row, strict=True)},
            }
            for cluster, row in ((cluster, score.pixels[cluster.id]) for cluster in clusters)
        ],
        "merged_colours": [_merged(*pair) for pair in merged],
        "near_ties": [_near_tie(tie) for tie in near_ties(certainties)],
        "score": _score(score),
        "cautions": [asdict(caution) for caution in cautions_for(fab, settings, sharpest_degrees=_sharpest(shape))],
        "warnings": list(dict.fromkeys(said)),
    }


def report_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of report.json, which describes every field."""
    text = files("worker.engine.report").joinpath("schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def _artwork(artwork: Artwork) -> dict[str, Any]:
    height, width = artwork.srgb.shape[:2]
    return {
        "name": artwork.name,
        "format": artwork.format,
        "sha256": artwork.sha256,
        "width_px": int(width),
        "height_px": int(height),
    }


def _sharpest(shape: BoardShape) -> float | None:
    corner = sharpest_corner(shape.outline)
    return None if corner is None else corner[0]


def _board(shape: BoardShape) -> dict[str, Any]:
    width, height = shape.size_mm
    return {
        "shape": shape.kind,
        "width_mm": width,
        "height_mm": height,
        "area_mm2": shape.area_mm2,
        "artwork_x_mm": shape.margins.left * shape.pitch_um / 1000.0,
        "artwork_y_mm": shape.margins.bottom * shape.pitch_um / 1000.0,
        "cut_outs": len(shape.outline) - 1,
        "holes": [{**asdict(hole), "slot_to": hole.slot_to and [*hole.slot_to]} for hole in shape.holes],
        "scores": [{"axis": "x" if score.upright else "y", "at_mm": score.at_mm} for score in shape.scores],
        "findings": [asdict(finding) for finding in shape.findings],
    }


def _viewing_conditions(conditions: ViewingConditions) -> dict[str, Any]:
    return {
        "illuminant": conditions.illuminant,
        "observer": conditions.observer,
        "meaning": VIEWING_CONDITIONS_MEANING,
    }


def _finishes(
    fab: FabProfile, separation: Separation, references: Sequence[FinishReference], pitch_um: float, threads: int
) -> list[dict[str, Any]]:
    counts = count_values(separation.labels, threads=threads)
    board_px = int(counts.sum() - counts[OUTSIDE])
    return [
        _finish(finish, int(counts[i]), board_px, reference, pitch_um)
        for i, (finish, reference) in enumerate(zip(fab.finishes, references, strict=True))
    ]


def _finish(finish: Finish, pixels: int, board_px: int, reference: FinishReference, pitch_um: float) -> dict[str, Any]:
    return {
        "id": finish.id,
        "name": finish.name,
        "reference_lab": reference.lab.tolist(),
        "reference": _reference(finish, reference),
        "smallest_feature_mm": float(finish.smallest_feature_mm),
        "pixels": pixels,
        "share": pixels / board_px if board_px else 0.0,
        "area_mm2": pixels * pitch_um * pitch_um / 1e6,
        "mask": f"masks/{finish.id}.png",
    }


def _reference(finish: Finish, reference: FinishReference) -> dict[str, Any]:
    known = reference.read_under[0] if reference.read_under else None
    return {
        "illuminant": None if known is None else known.illuminant,
        "observer": None if known is None else known.observer,
        "geometry": reference.geometry,
        "origin": finish.readings[reference.used[0]].origin if reference.used else "assumed",
        "derivation": reference.derivation,
        "grade": reference.grade,
        "overridden": reference.overridden,
        "viewing_lab": reference.viewing_lab.tolist(),
        "spread": reference.spread,
        "uncertainty": float(reference.uncertainty),
        "readings_used": list(reference.used),
        "readings_set_aside": [{"reading": aside.index, "reason": aside.reason} for aside in reference.set_aside],
    }


def _cluster(cluster: Cluster) -> dict[str, Any]:
    return {
        "id": int(cluster.id),
        "lab": [float(value) for value in cluster.lab],
        "colour": _hex_colour(cluster),
        "share": float(cluster.share),
        "finish": cluster.finish,
        "delta_e": float(cluster.delta_e),
        "second_finish": cluster.second_finish,
        "margin": None if cluster.margin is None else float(cluster.margin),
        "pinned": bool(cluster.pinned),
    }


def _certain_cluster(certainty: Certainty) -> dict[str, Any]:
    return {**_cluster(certainty.cluster), "uncertainty": certainty.uncertainty, "certain": certainty.certain}


def _near_tie(tie: NearTie) -> dict[str, Any]:
    entry = _cluster(tie.cluster)
    return {
        "cluster": entry["id"],
        **{key: entry[key] for key in ("colour", "share", "finish", "second_finish", "margin")},
        "uncertainty": tie.uncertainty,
        "pins": {"keep": tie.keep.text(), "change": tie.change.text()},
    }


def _merged(first: Cluster, second: Cluster, delta_e: float) -> dict[str, Any]:
    def one(cluster: Cluster) -> dict[str, Any]:
        entry = _cluster(cluster)
        return {"cluster": entry["id"], **{key: entry[key] for key in ("colour", "lab", "second_finish", "margin")}}

    return {"finish": first.finish, "delta_e": float(delta_e), "colours": [one(first), one(second)]}


def _hex_colour(cluster: Cluster) -> str:
    red, green, blue = lab_to_srgb(cluster.lab)
    return f"#{red:02X}{green:02X}{blue:02X}"


def _score(score: Score) -> dict[str, Any]:
    content: dict[str, Any] = {
        "viewing_distance_mm": float(score.viewing_distance_mm),
        "pixels_per_degree": float(score.pixels_per_degree),
        "ciede2000": _statistics(score.ciede2000),
        "s_cielab": _statistics(score.s_cielab),
        "continuous_reference": {
            **_statistics(score.continuous_reference),
            "meaning": CONTINUOUS_REFERENCE_MEANING,
        },
        "per_finish": [
            {"finish": finish, "ciede2000": _statistics(plain), "s_cielab": _statistics(seen)}
            for finish, (plain, seen) in score.by_finish.items()
        ],
        "per_cluster": [
            {"cluster": int(cluster), "ciede2000": _statistics(plain)} for cluster, plain in score.by_cluster.items()
        ],
    }
    if score.s_cielab_stretched is not None:
        content["s_cielab_stretched"] = _statistics(score.s_cielab_stretched)
    return content


def _statistics(statistics: Statistics) -> dict[str, float]:
    return {name: float(value) for name, value in asdict(statistics).items()}
