"""The package for the fab: one ZIP archive with what it needs and nothing else. The same input gives the same bytes."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from worker.engine.fabrication.corner_angles import sharpest_corner
from worker.engine.fabrication.fabricate import Fabrication
from worker.engine.fabrication.file_attributes import Project
from worker.engine.fabrication.number_place import NumberPlace
from worker.engine.fabrication.read_back import ReadBack
from worker.engine.references.reference import FinishReference
from worker.engine.report.cautions import cautions_for
from worker.engine.report.circuit_notes import CircuitNotes
from worker.engine.report.inspection_sheet import inspection_sheet
from worker.engine.report.order_facts import INSPECTION_SHEET, LEFT_BESIDE, ORDER_SHEET
from worker.engine.report.order_sheet import order_sheet
from worker.engine.report.png import encode_png
from worker.job_settings import Settings
from worker.zip_archive import zipped


def finished_package(
    fabrication: Fabrication,
    project: Project,
    files: Mapping[str, bytes],
    proof: ReadBack,
    settings: Settings,
    references: Sequence[FinishReference],
    *,
    place: NumberPlace | None,
    circuit: CircuitNotes | None = None,
    threads: int = 1,
) -> Iterator[tuple[str, bytes]]:
    """Name and bytes of what comes to the fabrication files: sheets, pictures as read back, and the ZIP of all.

    Parameters
    ----------
    files : as `Fabrication.files` gives them.
    references : of each finish of the profile, in its order.
    place : for the fab's number, from `number_place`. circuit : what to say of it, where the board is one.
    """
    pictures = pictures_of(proof)
    corner = sharpest_corner(fabrication.shape.outline)
    cautions = [
        caution.text
        for caution in cautions_for(fabrication.fab, settings, sharpest_degrees=corner[0] if corner else None)
    ]
    with_art = {side: pictures[f"looks-like-{side}.png"] for side in fabrication.sides}
    inspection = inspection_sheet(
        fabrication, project, references, pictures=with_art, place=place, threads=threads
    ).encode("utf-8")
    inside = {name: data for name, data in files.items() if name not in LEFT_BESIDE}
    if circuit is not None:
        inside = {name: data for name, data in inside.items() if not name.startswith(circuit.left_beside)}
    inside |= {INSPECTION_SHEET: inspection, **pictures}
    sheet = order_sheet(fabrication, project, inside, place=place, cautions=cautions, circuit=circuit).encode("utf-8")
    yield ORDER_SHEET, sheet
    yield INSPECTION_SHEET, inspection
    yield from pictures.items()
    yield package_name(project), zipped({ORDER_SHEET: sheet, **inside})


def pictures_of(proof: ReadBack) -> dict[str, bytes]:
    """PNG bytes of each side as its files, read back, show it."""
    return {
        f"looks-like-{side}.png": encode_png(srgb, palette=None, bits=8, pixels_per_metre=None)
        for side, srgb in proof.pictures.items()
    }


def package_name(project: Project) -> str:
    """The archive's name: the piece's stem with signs that any file system takes."""
    stem = project.name.rpartition(".")[0] or project.name
    return (re.sub(r"[^A-Za-z0-9._-]+", "-", stem).strip("-.") or "board") + "-fabrication.zip"


def place_report(place: NumberPlace | None) -> dict[str, object] | None:
    """The place for the fab's number, as the report has it."""
    if place is None:
        return None
    return {
        "side": place.side,
        "x_mm": place.x_mm,
        "y_mm": place.y_mm,
        "width_mm": place.width_mm,
        "height_mm": place.height_mm,
    }


def proof_report(proof: ReadBack) -> dict[str, object]:
    """The block `proof` of the report."""
    return {
        "reader": proof.reader,
        "renderer": proof.renderer,
        "whole": proof.whole,
        "share": proof.share,
        "areas": proof.windows,
        "compared_px": proof.compared_px,
        "undecided_px": proof.undecided_px,
        "tolerance_px": proof.tolerance_px,
        "text": proof.text(),
        "files": [
            {
                "path": f"fabrication/{file.path}",
                "function": file.function,
                "objects": file.objects,
                "extent_mm": None if file.extent_mm is None else list(file.extent_mm),
            }
            for file in proof.files
        ],
    }
